//! The parts on the belt: what sticks, what rides, what hangs, what falls.

use super::config::{FrameConfig, ReleaseConfig};
use super::fault::Mishap;
use super::keep_out::KeepOuts;
use super::truth::{Happening, PartTruth};

/// Marks in the stream of commands after which plastic may belong to a new print. Each move carries the counts that stood when
/// it was read, since moves are made later than commands without motion act.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Marks {
    /// The belt was moved, Z was homed, or the machine was reset: plastic after it is a new print.
    pub(super) surely: u32,
    /// The bed was set to 0: plastic after it is a new print if it lies lower than the part's top. At or above the top it is a
    /// print that somebody held and went on with.
    pub(super) perhaps: u32,
}

/// Plastic laid by one move, in bed coordinates at the belt's place then.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Laid {
    /// Along the belt, mm, least and greatest.
    pub(super) along_mm: [f64; 2],
    /// Across the belt, mm, least and greatest.
    pub(super) across_mm: [f64; 2],
    /// Height, mm; `None` for plastic pushed out standing still, which lies where it fell.
    pub(super) z_mm: Option<f64>,
    /// Filament, mm.
    pub(super) filament_mm: f64,
    /// Fingerprint of the path.
    pub(super) hash: u64,
}

/// The first plastic of a move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct First {
    pub(super) marks: Marks,
    pub(super) laid: Laid,
    pub(super) bed_target_c: f64,
    pub(super) place_um: i64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Grip {
    /// Sticks until the bed has fallen to its release temperature.
    Warm,
    /// Sticks until it is taken off by hand.
    Forever,
    /// Lies loose.
    None,
}

#[derive(Clone, Debug)]
struct Part {
    number: u32,
    marks: Marks,
    /// Belt material under it: along-belt coordinate less the belt's place, µm.
    tail_um: i64,
    lead_um: i64,
    across_um: [i64; 2],
    top_um: i64,
    layers: u32,
    filament_mm: f64,
    nominal_c: f64,
    own_c: f64,
    grip: Grip,
    hangs: bool,
    /// What keeps it from falling as it should.
    mishap: Option<Mishap>,
    hash: u64,
}

/// All parts, and how many went which way.
#[derive(Clone, Debug)]
pub(super) struct Parts {
    nose_um: i64,
    begin_um: i64,
    reading_slack_k: f64,
    release: ReleaseConfig,
    chance: u64,
    on_belt: Vec<Part>,
    /// Part numbers that will not let go once they are begun.
    glued: Vec<u32>,
    /// Parts that will not fall as they should.
    mishaps: Vec<(u32, Mishap)>,
    begun: u32,
    fallen: u32,
    taken_off: u32,
    over_a_part: u32,
    keep_outs: KeepOuts,
    last_gone: Option<PartTruth>,
}

impl Parts {
    /// `reading_slack_k`: by how much the bed may be hotter than a report of it says.
    pub(super) fn new(release: ReleaseConfig, frame: &FrameConfig, reading_slack_k: f64) -> Self {
        Self {
            reading_slack_k,
            nose_um: um(frame.nose_mm),
            begin_um: um(frame.begin()),
            chance: release.seed,
            release,
            on_belt: Vec::new(),
            glued: Vec::new(),
            mishaps: Vec::new(),
            begun: 0,
            fallen: 0,
            taken_off: 0,
            over_a_part: 0,
            keep_outs: KeepOuts::default(),
            last_gone: None,
        }
    }

    /// The belt has stretches that no plastic may touch.
    pub(super) fn with_keep_outs(mut self, keep_outs: KeepOuts) -> Self {
        self.keep_outs = keep_outs;
        self
    }

    /// A move begins to lay plastic: it goes on with the print under way, or begins a new one.
    pub(super) fn begin_plastic(&mut self, first: &First, notes: &mut Vec<Happening>) {
        let First { marks, laid, bed_target_c, place_um } = *first;
        if let Some(part) = self.on_belt.last_mut().filter(|part| part.number == self.begun) {
            let lower = laid.z_mm.is_some_and(|z| um(z) < part.top_um - LOWER_UM);
            if marks.surely == part.marks.surely && (marks.perhaps == part.marks.perhaps || !lower) {
                part.marks = marks;
                return;
            }
        }
        self.begun += 1;
        notes.push(Happening::PrintBegun { part: self.begun });
        if self.on_belt.iter().any(|part| part.lead_um + place_um >= self.begin_um) {
            self.over_a_part += 1;
            notes.push(Happening::PrintOverAPart { part: self.begun });
        }
        let nominal_c = self.release.nominal_c(bed_target_c);
        let own_c = nominal_c + self.reading_slack_k + self.release.spread_k * self.next_chance();
        self.on_belt.push(Part {
            number: self.begun,
            marks,
            tail_um: um(laid.along_mm[0]) - place_um,
            lead_um: um(laid.along_mm[1]) - place_um,
            across_um: laid.across_mm.map(um),
            top_um: 0,
            layers: 0,
            filament_mm: 0.0,
            nominal_c,
            own_c,
            grip: if self.glued.contains(&self.begun) { Grip::Forever } else { Grip::None },
            hangs: false,
            mishap: self.mishaps.iter().find(|(number, _)| *number == self.begun).map(|(_, mishap)| *mishap),
            hash: HASH_START,
        });
    }

    /// Prints that touched a keep-out.
    pub(super) fn over_a_keep_out(&self) -> u32 {
        self.keep_outs.prints()
    }

    /// Adds plastic to the part under way. On a bed above its release temperature it sticks (again).
    pub(super) fn lay(&mut self, laid: &Laid, place_um: i64, bed_c: f64) {
        let Some(part) = self.on_belt.last_mut().filter(|part| part.number == self.begun) else { return };
        self.keep_outs.touch(part.number, laid.along_mm.map(um), place_um);
        part.tail_um = part.tail_um.min(um(laid.along_mm[0]) - place_um);
        part.lead_um = part.lead_um.max(um(laid.along_mm[1]) - place_um);
        part.across_um[0] = part.across_um[0].min(um(laid.across_mm[0]));
        part.across_um[1] = part.across_um[1].max(um(laid.across_mm[1]));
        part.filament_mm += laid.filament_mm;
        part.hash = mix(part.hash, laid.hash);
        if let Some(top) = laid.z_mm.map(um)
            && top > part.top_um
        {
            part.top_um = top;
            part.layers += 1;
        }
        if part.grip == Grip::None && bed_c > part.own_c {
            part.grip = Grip::Warm;
        }
    }

    /// The greatest release temperature among those parts that a falling bed temperature will free; the next to let go.
    pub(super) fn next_release_c(&self) -> Option<f64> {
        self.on_belt.iter().filter(|part| part.grip == Grip::Warm).map(|part| part.own_c).reduce(f64::max)
    }

    /// The belt's place at which the next loose part falls.
    pub(super) fn next_fall_um(&self) -> Option<i64> {
        self.on_belt.iter().filter(|part| part.grip == Grip::None).map(|part| part.falls_at_um(self.nose_um)).min()
    }

    /// The belt's place at which the next part hangs over the nose by its whole length and does not fall.
    pub(super) fn next_hang_um(&self) -> Option<i64> {
        let may_hang = self.on_belt.iter().filter(|part| part.grip != Grip::None && !part.hangs);
        may_hang.map(|part| self.nose_um - part.tail_um).min()
    }

    /// The bed is at `bed_c` and the belt at `place_um`: frees what lets go, drops what is loose beyond the nose.
    pub(super) fn settle(&mut self, bed_c: f64, place_um: i64, notes: &mut Vec<Happening>) {
        for part in &mut self.on_belt {
            if part.grip == Grip::Warm && bed_c <= part.own_c + RELEASE_SLACK_K {
                part.grip = Grip::None;
                notes.push(Happening::PartLetGo { part: part.number, bed_c });
            }
            let beyond = part.tail_um.saturating_add(place_um) >= self.nose_um;
            if beyond && part.grip != Grip::None && !part.hangs {
                notes.push(Happening::PartHangs { part: part.number });
            }
            part.hangs = beyond && part.grip != Grip::None;
        }
        let nose_um = self.nose_um;
        for part in &mut self.on_belt {
            part.suffer(nose_um, place_um);
        }
        let gone = |part: &mut Part| part.grip == Grip::None && part.falls_at_um(nose_um) <= place_um;
        for part in self.on_belt.extract_if(.., gone) {
            self.fallen += 1;
            notes.push(Happening::PartFell { part: part.number });
            self.last_gone = Some(part.truth(place_um));
        }
    }

    /// A person takes every part off the belt.
    pub(super) fn take_off(&mut self, place_um: i64, notes: &mut Vec<Happening>) {
        for part in self.on_belt.drain(..) {
            self.taken_off += 1;
            notes.push(Happening::PartTakenOff { part: part.number });
            self.last_gone = Some(part.truth(place_um));
        }
    }

    /// The part with this number, begun or yet to be begun, will not let go until it is taken off by hand.
    pub(super) fn glue(&mut self, number: u32) {
        self.glued.push(number);
        if let Some(part) = self.on_belt.iter_mut().find(|part| part.number == number) {
            part.grip = Grip::Forever;
        }
    }

    /// The part with this number, begun or yet to be begun, does not fall as it should.
    pub(super) fn befall(&mut self, number: u32, mishap: Mishap) {
        self.mishaps.push((number, mishap));
        if let Some(part) = self.on_belt.iter_mut().find(|part| part.number == number) {
            part.mishap = Some(mishap);
        }
    }

    /// The number of the part that is on the belt or, if there is none, of the next one.
    pub(super) fn last_or_next(&self) -> u32 {
        self.on_belt.last().map_or(self.begun + 1, |part| part.number)
    }

    /// Whether a part lies across the nose or hangs at it.
    pub(super) fn presses_switch(&self, place_um: i64) -> bool {
        self.on_belt.iter().any(|part| part.lead_um.saturating_add(place_um) > self.nose_um)
    }

    /// Whether a part on the belt is under a bed hotter than its nominal release temperature.
    pub(super) fn any_hotter(&self, bed_c: f64) -> bool {
        self.on_belt.iter().any(|part| bed_c > part.nominal_c + self.reading_slack_k + RELEASE_SLACK_K)
    }

    /// Top of the tallest part on the belt, mm; 0 if there is none.
    pub(super) fn top_mm(&self) -> f64 {
        self.on_belt.iter().map(|part| mm(part.top_um)).fold(0.0, f64::max)
    }

    /// Prints begun, parts fallen, parts taken off, prints begun over a part.
    pub(super) fn counts(&self) -> [u32; 4] {
        [self.begun, self.fallen, self.taken_off, self.over_a_part]
    }

    pub(super) fn on_belt(&self, place_um: i64) -> Vec<PartTruth> {
        self.on_belt.iter().map(|part| part.truth(place_um)).collect()
    }

    pub(super) fn last_gone(&self) -> Option<&PartTruth> {
        self.last_gone.as_ref()
    }

    /// The next number in 0…1 of a fixed sequence (splitmix64, public domain).
    fn next_chance(&mut self) -> f64 {
        self.chance = self.chance.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.chance;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        #[expect(clippy::cast_precision_loss, reason = "53 bits fit")]
        let share = (z >> 11) as f64 / (1_u64 << 53) as f64;
        share
    }
}

impl Part {
    /// The belt's place at which it falls, once it is loose.
    fn falls_at_um(&self, nose_um: i64) -> i64 {
        let late_um = match self.mishap {
            Some(Mishap::FallsLate(mm)) => um(mm),
            _ => 0,
        };
        nose_um.saturating_sub(self.tail_um).saturating_add(late_um)
    }

    /// Where it would fall now, what befalls it instead.
    fn suffer(&mut self, nose_um: i64, place_um: i64) {
        if self.grip != Grip::None || self.falls_at_um(nose_um) > place_um {
            return;
        }
        let tail_um = |before_mm: f64| nose_um - place_um - um(before_mm);
        let length_um = self.lead_um - self.tail_um;
        match self.mishap {
            Some(Mishap::FallsBack(before_mm)) => {
                self.lead_um = tail_um(before_mm);
                self.tail_um = self.lead_um - length_um;
                self.mishap = None;
            }
            Some(Mishap::Breaks) => {
                self.lead_um = tail_um(1.0);
                self.tail_um = self.lead_um - length_um / 2;
                (self.grip, self.mishap) = (Grip::Forever, None);
            }
            Some(Mishap::FallsLate(_)) | None => {}
        }
    }

    fn truth(&self, place_um: i64) -> PartTruth {
        PartTruth {
            number: self.number,
            tail_um: self.tail_um.saturating_add(place_um),
            lead_um: self.lead_um.saturating_add(place_um),
            left_um: self.across_um[0],
            right_um: self.across_um[1],
            height_mm: mm(self.top_um),
            layers: self.layers,
            filament_mm: self.filament_mm,
            release_c: self.own_c,
            sticks: self.grip != Grip::None,
            hangs: self.hangs,
            path_hash: self.hash,
        }
    }
}

/// Plastic this much below a part's top is lower, not the same layer again.
const LOWER_UM: i64 = 10;
/// A moment is a whole microsecond: the temperature then is this close to the one that was waited for.
const RELEASE_SLACK_K: f64 = 1e-6;

/// Start and step of the 64-bit FNV-1a hash (from memory; public domain).
pub(super) const HASH_START: u64 = 0xcbf2_9ce4_8422_2325;
const HASH_PRIME: u64 = 0x0000_0100_0000_01b3;

/// Mixes a value into a fingerprint.
pub(super) fn mix(hash: u64, value: u64) -> u64 {
    value.to_le_bytes().into_iter().fold(hash, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(HASH_PRIME))
}

fn um(mm: f64) -> i64 {
    crate::units::Millimetres(mm).to_micrometres().0
}

fn mm(um: i64) -> f64 {
    crate::units::Micrometres(um).to_millimetres().0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::SimConfig;

    const HOT: f64 = 60.0;

    fn parts() -> Parts {
        let config = SimConfig::default();
        Parts::new(ReleaseConfig { spread_k: 0.0, ..config.release }, &config.frame, 0.0)
    }

    fn laid(along_mm: [f64; 2]) -> Laid {
        Laid { along_mm, across_mm: [90.0, 130.0], z_mm: Some(0.2), filament_mm: 1.0, hash: 7 }
    }

    fn begin(parts: &mut Parts, marks: Marks, z: f64, place_um: i64) -> Vec<Happening> {
        let laid = Laid { z_mm: Some(z), ..laid([80.0, 80.0]) };
        let mut notes = Vec::new();
        parts.begin_plastic(&First { marks, laid, bed_target_c: HOT, place_um }, &mut notes);
        notes
    }

    const fn surely(count: u32) -> Marks {
        Marks { surely: count, perhaps: 0 }
    }

    /// A part from 80 to 100 mm; the nose is at 220 mm.
    fn with_a_part(parts: &mut Parts) {
        begin(parts, Marks::default(), 0.2, 0);
        parts.lay(&laid([80.0, 100.0]), 0, HOT);
    }

    #[test]
    fn a_loose_part_falls_exactly_when_its_tail_passes_the_nose() {
        let mut parts = parts();
        with_a_part(&mut parts);
        let mut notes = Vec::new();
        parts.settle(31.9, 0, &mut notes);
        assert_eq!(parts.next_fall_um(), Some(140_000));
        parts.settle(31.9, 139_999, &mut notes);
        assert_eq!((parts.counts()[1], parts.presses_switch(139_999)), (0, true));
        parts.settle(31.9, 140_000, &mut notes);
        assert_eq!((parts.counts()[1], parts.presses_switch(140_000)), (1, false));
        assert_eq!(notes, [Happening::PartLetGo { part: 1, bed_c: 31.9 }, Happening::PartFell { part: 1 }]);
    }

    #[test]
    fn a_part_presses_the_switch_while_it_lies_across_the_nose() {
        let mut parts = parts();
        with_a_part(&mut parts);
        assert_eq!([0, 120_000, 120_001, 139_999].map(|place| parts.presses_switch(place)), [false, false, true, true]);
    }

    #[test]
    fn a_warm_part_hangs_and_falls_when_the_bed_has_cooled() {
        let mut parts = parts();
        with_a_part(&mut parts);
        let mut notes = Vec::new();
        parts.settle(HOT, 150_000, &mut notes);
        assert_eq!((notes.as_slice(), parts.presses_switch(150_000)), (&[Happening::PartHangs { part: 1 }][..], true));
        parts.settle(32.0, 150_000, &mut notes);
        assert_eq!((parts.counts()[1], parts.presses_switch(150_000)), (1, false));
    }

    #[test]
    fn a_glued_part_goes_only_by_hand() {
        let mut parts = parts();
        parts.glue(1);
        with_a_part(&mut parts);
        let mut notes = Vec::new();
        parts.settle(20.0, 400_000, &mut notes);
        assert!(parts.presses_switch(400_000));
        parts.take_off(400_000, &mut notes);
        assert_eq!((parts.counts(), parts.presses_switch(400_000)), ([1, 0, 1, 0], false));
    }

    #[test]
    fn a_reheated_loose_part_stays_loose_until_plastic_is_laid_on_it() {
        let mut parts = parts();
        with_a_part(&mut parts);
        parts.settle(30.0, 0, &mut Vec::new());
        parts.settle(HOT, 0, &mut Vec::new());
        assert_eq!(parts.next_release_c(), None);
        parts.lay(&laid([80.0, 100.0]), 0, HOT);
        assert_eq!(parts.next_release_c(), Some(32.0));
    }

    #[test]
    fn the_same_print_goes_on_until_a_mark() {
        let mut parts = parts();
        with_a_part(&mut parts);
        let notes = begin(&mut parts, Marks::default(), 0.1, 0);
        assert_eq!((notes.len(), parts.counts()), (0, [1, 0, 0, 0]));
        let notes = begin(&mut parts, surely(1), 0.2, 0);
        assert_eq!(notes, [Happening::PrintBegun { part: 2 }, Happening::PrintOverAPart { part: 2 }]);
        assert_eq!(parts.counts(), [2, 0, 0, 1]);
    }

    #[test]
    fn after_the_bed_was_off_only_lower_plastic_is_a_new_print() {
        let mut parts = parts();
        with_a_part(&mut parts);
        let after_off = |perhaps| Marks { surely: 0, perhaps };
        begin(&mut parts, after_off(1), 0.4, 0);
        assert_eq!(parts.counts()[0], 1, "gone on with above the top");
        parts.lay(&Laid { z_mm: Some(0.4), ..laid([80.0, 100.0]) }, 0, HOT);
        begin(&mut parts, after_off(1), 0.2, 0);
        assert_eq!(parts.counts()[0], 1, "no mark in between");
        begin(&mut parts, after_off(2), 0.2, 0);
        assert_eq!((parts.counts()[0], parts.counts()[3]), (2, 1), "down again after the bed was off");
    }

    #[test]
    fn a_print_after_the_part_fell_or_was_taken_off_is_not_over_a_part() {
        let mut parts = parts();
        with_a_part(&mut parts);
        parts.settle(30.0, 140_000, &mut Vec::new());
        begin(&mut parts, surely(1), 0.2, 140_000);
        parts.lay(&laid([80.0, 100.0]), 140_000, HOT);
        parts.take_off(140_000, &mut Vec::new());
        begin(&mut parts, surely(2), 0.2, 140_000);
        assert_eq!(parts.counts(), [3, 1, 1, 0]);
    }

    #[test]
    fn own_release_temperatures_lie_within_the_spread_and_repeat() {
        let config = SimConfig::default();
        let own = || {
            let mut parts = Parts::new(config.release.clone(), &config.frame, 0.0);
            let own_c = |count| {
                begin(&mut parts, surely(count), 0.2, 0);
                parts.on_belt.last().expect("just begun").own_c
            };
            (1..=20).map(own_c).collect::<Vec<_>>()
        };
        let seen = own();
        assert!(seen.iter().all(|c| (32.0..=33.5).contains(c)), "{seen:?}");
        assert!(seen.windows(2).any(|pair| pair[0] != pair[1]));
        assert_eq!(seen, own());
    }
}
