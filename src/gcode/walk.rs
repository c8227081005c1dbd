//! The modal state of a program: line by line, words become moves.
//!
//! Follows NISTIR 6556 (modes, order of execution in Table 8) and the RepRap wiki's page "G-code" where printers differ.

use super::arc::{Arc, ArcFault, Plane, TOLERANCE_INCH_IN_MM, TOLERANCE_MM, Turn};
use super::asked::{Asked, Motion};
use super::lex::{Line, Word};
use super::modes::{Dialect, Distance, EMode, Units};
use super::moves::{Axes, Move, Path, millimetres, nanometres};
use super::run::{Run, Start, Steps};

/// Tools whose nozzle temperature is followed.
const TOOLS_FOLLOWED: usize = 8;

/// What one line did.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Walked {
    /// The move it made.
    pub motion: Option<Move>,
    /// Time it stood still by command, s.
    pub dwell_s: f64,
    /// What is wrong with its arc; a faulty arc without a way is walked as a straight line.
    pub fault: Option<ArcFault>,
    /// The axes that it homed. Homing is no move: where the switches are is the machine's affair.
    pub homed: Axes,
}

/// The state that the lines so far have led to. Small and without heap, so that a copy may be kept to come back to.
#[derive(Clone, Debug)]
pub struct Walker {
    dialect: Dialect,
    machine: [f64; 3],
    /// What `G92` pretends: position in the file = machine − offset.
    offset: [f64; 3],
    suspended_offset: [f64; 3],
    known: Axes,
    e_register_nm: i64,
    distance: Distance,
    e_mode: EMode,
    units: Units,
    plane: Plane,
    motion: Option<Motion>,
    feed_mm_min: Option<f64>,
    tool: u32,
    fan: Option<f64>,
    bed_target_c: Option<f64>,
    nozzle_target_c: [Option<f64>; TOOLS_FOLLOWED],
    /// Area of the filament, mm², while E counts volume (`M200`).
    volumetric_mm2: Option<f64>,
    on_card: bool,
    retracted: bool,
}

impl Default for Walker {
    fn default() -> Self {
        Self::new(Dialect::default())
    }
}

impl Walker {
    /// A machine just switched on: absolute millimetres, position unknown and taken as zero.
    #[must_use]
    pub const fn new(dialect: Dialect) -> Self {
        Self {
            dialect,
            machine: [0.0; 3],
            offset: [0.0; 3],
            suspended_offset: [0.0; 3],
            known: Axes::NONE,
            e_register_nm: 0,
            distance: Distance::Absolute,
            e_mode: EMode::Follows,
            units: Units::Millimetre,
            plane: Plane::Xy,
            motion: None,
            feed_mm_min: None,
            tool: 0,
            fan: None,
            bed_target_c: None,
            nozzle_target_c: [None; TOOLS_FOLLOWED],
            volumetric_mm2: None,
            on_card: false,
            retracted: false,
        }
    }

    /// Position in the file's coordinates, mm.
    #[must_use]
    pub fn position_mm(&self) -> [f64; 3] {
        [0, 1, 2].map(|axis| self.machine[axis] - self.offset[axis])
    }

    /// Position on the bed, mm: what `G92` pretends is taken out.
    #[must_use]
    pub const fn machine_mm(&self) -> [f64; 3] {
        self.machine
    }

    /// The axes whose position is known.
    #[must_use]
    pub const fn known(&self) -> Axes {
        self.known
    }

    /// The E register as the printer counts it: mm, or mm³ while E words count volume.
    #[must_use]
    pub fn e_mm(&self) -> f64 {
        millimetres(self.e_register_nm)
    }

    /// Whether X, Y and Z words are positions or ways.
    #[must_use]
    pub const fn distance(&self) -> Distance {
        self.distance
    }

    /// Whether E words are positions or ways.
    #[must_use]
    pub const fn e_distance(&self) -> Distance {
        match self.e_mode {
            EMode::Absolute => Distance::Absolute,
            EMode::Relative => Distance::Relative,
            EMode::Follows if self.dialect.e_follows_g91 => self.distance,
            EMode::Follows => Distance::Absolute,
        }
    }

    /// Unit of lengths.
    #[must_use]
    pub const fn units(&self) -> Units {
        self.units
    }

    /// Plane of arcs.
    #[must_use]
    pub const fn plane(&self) -> Plane {
        self.plane
    }

    /// Commanded feed, mm/min, if any was commanded yet.
    #[must_use]
    pub const fn feed_mm_min(&self) -> Option<f64> {
        self.feed_mm_min
    }

    /// Tool in use.
    #[must_use]
    pub const fn tool(&self) -> u32 {
        self.tool
    }

    /// Speed of the part's fan as last commanded, 0 to 255.
    #[must_use]
    pub const fn fan(&self) -> Option<f64> {
        self.fan
    }

    /// Bed temperature as last commanded, °C.
    #[must_use]
    pub const fn bed_target_c(&self) -> Option<f64> {
        self.bed_target_c
    }

    /// Nozzle temperature of a tool as last commanded, °C; tools above the eighth are not followed.
    #[must_use]
    pub fn nozzle_target_c(&self, tool: u32) -> Option<f64> {
        self.nozzle_target_c.get(tool as usize).copied().flatten()
    }

    /// Whether lines are being written to the printer's card (`M28` … `M29`) and move nothing.
    #[must_use]
    pub const fn is_writing_card(&self) -> bool {
        self.on_card
    }

    /// Whether the firmware has drawn the filament back by itself (`G10` without `G11` yet).
    #[must_use]
    pub const fn is_retracted(&self) -> bool {
        self.retracted
    }

    /// Area of the filament, mm², while E words count volume (`M200`).
    #[must_use]
    pub const fn volumetric_mm2(&self) -> Option<f64> {
        self.volumetric_mm2
    }

    /// Takes the words of one line.
    pub fn handle_line(&mut self, line: &Line<'_>, words: &[Word]) -> Walked {
        let mut walked = Walked::default();
        if words.is_empty() {
            return walked;
        }
        let asked = Asked::of(words);
        if self.on_card {
            self.on_card = asked.command != Some((b'M', 29, 0));
            return walked;
        }
        self.take_modes(&asked);
        if let Some((b'M', code, 0)) = asked.command {
            self.take_m(code, &asked, line);
        }
        walked.dwell_s = asked.dwell_s();
        if asked.home {
            walked.homed = self.home(&asked);
        }
        if let Some(set) = asked.set_position {
            self.set_position(set, &asked);
        }
        if asked.may_move(self.motion) {
            self.move_head(&asked, &mut walked);
        }
        walked
    }

    /// Where a run of plain moves would begin. `None` if the modes are not those of nearly every line: absolute millimetres, a
    /// feed, all positions known and whole nanometres.
    pub(crate) fn start_of_run(&self) -> Option<Start> {
        let is_common = !self.on_card
            && self.units == Units::Millimetre
            && self.distance == Distance::Absolute
            && self.offset == [0.0; 3]
            && self.known == Axes::ALL
            && self.volumetric_mm2.is_none()
            && self.feed_mm_min.is_some_and(|feed| feed > 0.0);
        let e_is_relative = self.e_distance() == Distance::Relative;
        if is_common { Start::new(self.machine, self.e_register_nm, e_is_relative) } else { None }
    }

    /// Takes a run that was placed from [`Walker::start_of_run`].
    pub(crate) fn take_run(&mut self, steps: &Steps) {
        let Run { lines, feed, rapid, .. } = *steps.run;
        if lines == 0 {
            return;
        }
        self.feed_mm_min = Some(feed.mm_min);
        self.motion = Some(if rapid { Motion::Rapid } else { Motion::Feed });
        if let Some(register_nm) = steps.register_nm() {
            self.machine = steps.end_mm();
            self.e_register_nm = register_nm;
        }
    }

    fn take_modes(&mut self, asked: &Asked) {
        if let Some(units) = asked.units {
            self.units = units;
        }
        if let Some(feed) = asked.feed {
            self.feed_mm_min = Some(feed * self.units.in_mm());
        }
        if let Some(tool) = asked.tool {
            self.tool = tool;
        }
        if let Some(plane) = asked.plane {
            self.plane = plane;
        }
        if let Some(distance) = asked.distance {
            self.distance = distance;
            if distance == Distance::Relative && self.dialect.e_follows_g91 && self.e_mode == EMode::Absolute {
                self.e_mode = EMode::Follows;
            }
            if distance == Distance::Absolute && self.dialect.g90_ends_m83 {
                self.e_mode = EMode::Follows;
            }
        }
        if let Some(distance) = asked.e_distance {
            self.e_mode = match distance {
                Distance::Absolute => EMode::Absolute,
                Distance::Relative => EMode::Relative,
            };
        }
        if let Some(retract) = asked.firmware_retract {
            self.retracted = retract;
        }
        if asked.ends_motion {
            self.motion = None;
        }
        if let Some(motion) = asked.motion {
            self.motion = Some(motion);
        }
    }

    fn take_m(&mut self, code: u32, asked: &Asked, line: &Line<'_>) {
        let target = asked.value(b'S').or_else(|| asked.value(b'R'));
        match code {
            104 | 109 => {
                let tool = asked.value(b'T').map_or(self.tool as usize, super::asked::index);
                if let (Some(target), Some(slot)) = (target, self.nozzle_target_c.get_mut(tool)) {
                    *slot = Some(target);
                }
            }
            140 | 190 => self.bed_target_c = target.or(self.bed_target_c),
            106 if asked.value(b'P').unwrap_or(0.0) == 0.0 => self.fan = Some(asked.value(b'S').unwrap_or(255.0)),
            107 if asked.value(b'P').unwrap_or(0.0) == 0.0 => self.fan = Some(0.0),
            200 => self.take_volumetric(asked),
            // Without a name nothing can be opened, and the lines that follow are carried out.
            28 => self.on_card = line.text.is_some_and(|name| !name.is_empty()),
            _ => {}
        }
    }

    /// `M200 D1.75`: E counts mm³ of filament of this diameter; `D0` or `S0` ends it.
    fn take_volumetric(&mut self, asked: &Asked) {
        if let Some(diameter) = asked.value(b'D') {
            let radius = diameter * self.units.in_mm() / 2.0;
            self.volumetric_mm2 = (radius > 0.0).then_some(std::f64::consts::PI * radius * radius);
        }
        if asked.value(b'S') == Some(0.0) {
            self.volumetric_mm2 = None;
        }
    }

    fn home(&mut self, asked: &Asked) -> Axes {
        let axes = if asked.touched.is_empty() { Axes::ALL } else { asked.touched };
        for axis in 0..3 {
            if axes.has(axis) {
                self.machine[axis] = self.dialect.home_mm[axis];
                self.offset[axis] = 0.0;
                self.known.add(axis);
            }
        }
        axes
    }

    /// `G92` and its kin. `G92` alone sets everything to zero (RepRap wiki, `G92`).
    fn set_position(&mut self, kind: u32, asked: &Asked) {
        match kind {
            0 => {
                let rest = if asked.touched.is_empty() && asked.e.is_none() { Some(0.0) } else { None };
                for axis in 0..3 {
                    let value = asked.axis[axis].or(rest);
                    if let Some(value) = value {
                        self.pretend(axis, value * self.units.in_mm());
                    }
                }
                if let Some(e) = asked.e.or(rest) {
                    self.e_register_nm = nanometres(e * self.units.in_mm());
                }
            }
            1 => self.offset = [0.0; 3],
            2 => self.suspended_offset = std::mem::take(&mut self.offset),
            _ => self.offset = self.suspended_offset,
        }
    }

    fn pretend(&mut self, axis: usize, value: f64) {
        if self.known.has(axis) {
            self.offset[axis] = self.machine[axis] - value;
        } else {
            self.machine[axis] = value;
            self.offset[axis] = 0.0;
            self.known.add(axis);
        }
    }

    fn move_head(&mut self, asked: &Asked, walked: &mut Walked) {
        let Some(motion) = self.motion else { return };
        let start = self.machine;
        let named = asked.named();
        let end = self.end_of(asked.axis.map(Option::unwrap_or_default), named, asked.in_machine_coordinates);
        let path = match motion {
            Motion::Rapid | Motion::Feed => Path::Line,
            Motion::Arc(turn) => self.arc(asked, turn, start, end, walked),
        };
        self.machine = end;
        let extrusion_nm = asked.e.map_or(0, |e| self.extrude(e));
        walked.motion = Some(Move {
            rapid: motion == Motion::Rapid,
            path,
            start,
            end,
            named,
            known: self.known,
            extrusion_nm,
            feed_mm_min: self.feed_mm_min,
        });
    }

    fn end_of(&mut self, axis: [f64; 3], named: Axes, in_machine_coordinates: bool) -> [f64; 3] {
        let mut end = self.machine;
        for index in 0..3 {
            if !named.has(index) {
                continue;
            }
            let value = axis[index] * self.units.in_mm();
            if in_machine_coordinates {
                end[index] = value;
            } else if self.distance == Distance::Relative {
                end[index] += value;
                continue;
            } else {
                end[index] = value + self.offset[index];
            }
            self.known.add(index);
        }
        end
    }

    fn arc(&self, asked: &Asked, turn: Turn, start: [f64; 3], end: [f64; 3], walked: &mut Walked) -> Path {
        let unit = self.units.in_mm();
        let tolerance = if self.units == Units::Inch { TOLERANCE_INCH_IN_MM } else { TOLERANCE_MM };
        if let Some(radius) = asked.radius {
            return match Arc::of_radius(self.plane, turn, start, end, radius * unit, tolerance) {
                Ok(arc) => Path::Arc(arc),
                Err(fault) => {
                    walked.fault = Some(fault);
                    Path::Line
                }
            };
        }
        let (a, b, _) = self.plane.axes();
        let offset = [asked.centre[a].unwrap_or(0.0) * unit, asked.centre[b].unwrap_or(0.0) * unit];
        if offset == [0.0; 2] {
            walked.fault = Some(ArcFault::NoCentre);
            return Path::Line;
        }
        let (arc, mismatch) = Arc::about_centre(self.plane, turn, start, end, offset);
        if mismatch > tolerance {
            walked.fault = Some(ArcFault::OffCentre(mismatch));
        }
        Path::Arc(arc)
    }

    /// Moves the E register, and says by how much filament that is.
    fn extrude(&mut self, e: f64) -> i64 {
        let asked = nanometres(e * self.units.in_mm());
        let before = self.e_register_nm;
        self.e_register_nm = match self.e_distance() {
            Distance::Absolute => asked,
            Distance::Relative => before.saturating_add(asked),
        };
        let moved = self.e_register_nm.saturating_sub(before);
        self.volumetric_mm2.map_or(moved, |area| nanometres(millimetres(moved) / area))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gcode::lex::lex_line;

    fn walk(walker: &mut Walker, program: &str) -> Vec<Walked> {
        let mut words = Vec::new();
        let mut walked = Vec::new();
        for text in program.lines() {
            let line = lex_line(text.as_bytes(), &mut words);
            walked.push(walker.handle_line(&line, &words));
        }
        walked
    }

    fn moves(program: &str) -> Vec<Move> {
        walk(&mut Walker::default(), program).iter().filter_map(|walked| walked.motion).collect()
    }

    fn after(program: &str) -> Walker {
        let mut walker = Walker::default();
        walk(&mut walker, program);
        walker
    }

    /// The end of a real print: with `M82` in force, `G91` governs E on firmware family M and does not on family R.
    #[test]
    fn the_dialect_decides_whether_g91_governs_e() {
        let program = "M82\nG1 E3174\nG91\nG1 E-1 F300\nG1 Z+0.5 E-5 X-20 Y-20 F9000";
        let pushed = |dialect| {
            let walked = walk(&mut Walker::new(dialect), program);
            walked.iter().filter_map(|walked| walked.motion).map(|motion| motion.extrusion_mm()).collect::<Vec<_>>()
        };
        assert_eq!(pushed(Dialect::default()), [3174.0, -1.0, -5.0]);
        let family_r = Dialect { e_follows_g91: false, ..Dialect::default() };
        assert_eq!(pushed(family_r), [3174.0, -3175.0, -4.0]);
    }

    #[test]
    fn m83_outlives_g90_and_m82_does_not_outlive_g91() {
        assert_eq!(after("M83\nG91\nG90").e_distance(), Distance::Relative);
        assert_eq!(after("M82\nG91").e_distance(), Distance::Relative);
        assert_eq!(after("G91\nM82").e_distance(), Distance::Absolute);
        assert_eq!(after("G91\nG90").e_distance(), Distance::Absolute);
    }

    #[test]
    fn a_machine_s_own_registers_forget_m83_at_g90() {
        let mut walker = Walker::new(Dialect { g90_ends_m83: true, ..Dialect::default() });
        walk(&mut walker, "M83\nG91\nG90");
        assert_eq!(walker.e_distance(), Distance::Absolute);
        walk(&mut walker, "G90\nM83");
        assert_eq!(walker.e_distance(), Distance::Relative);
    }

    /// NISTIR 6556, §3.5.17: at X = 4 `G92 x7` gives an offset of −3, and at 7 then `G92 x9` one of −5.
    #[test]
    fn g92_moves_nothing() {
        let walker = after("G28\nG1 X4\nG92 X7");
        assert_eq!((walker.machine_mm()[0], walker.position_mm()[0]), (4.0, 7.0));
        let walker = after("G28\nG1 X4\nG92 X7\nG92 X9");
        assert_eq!((walker.machine_mm()[0], walker.position_mm()[0]), (4.0, 9.0));
        let walker = after("G28\nG1 X4\nG92 X7\nG1 X10");
        assert_eq!((walker.machine_mm()[0], walker.position_mm()[0]), (7.0, 10.0));
        assert_eq!(after("G28\nG1 X4\nG92 X7\nG92.1").position_mm()[0], 4.0);
        assert_eq!(after("G28\nG1 X4\nG92 X7\nG92.2\nG92.3").position_mm()[0], 7.0);
        assert_eq!(after("G28\nG1 X4\nG92 X7\nG53 G1 X1").machine_mm()[0], 1.0);
    }

    #[test]
    fn g92_on_an_unknown_machine_says_where_it_is() {
        let walker = after("G92 X-141.6");
        assert_eq!(walker.machine_mm()[0], -141.6);
        assert!(walker.known().has(0) && !walker.known().has(1));
    }

    #[test]
    fn a_relative_move_does_not_tell_where_the_head_is() {
        let walker = after("G91\nG1 Z10");
        assert!(!walker.known().has(2));
        assert!(after("G28\nG91\nG1 Z10").known().has(2));
    }

    #[test]
    fn coordinates_without_a_command_move_as_before() {
        let moves = moves("g21 g0 x0 y0 z50\ny10\nG1 X5\ng54 X7\nM205 X30\nG80\nX9");
        assert_eq!(moves.len(), 4);
        assert_eq!(moves[1].end, [0.0, 10.0, 50.0]);
        assert!(moves[1].rapid && !moves[2].rapid);
        assert_eq!(moves[3].end[0], 7.0);
    }

    #[test]
    fn inches_count_for_places_feed_and_filament() {
        let moves = moves("G20\nG1 X1 E0.1 F10\nG21\nG1 X1");
        assert_eq!(moves[0].end[0], 25.4);
        assert_eq!(moves[0].extrusion_nm, 2_540_000);
        assert_eq!(moves[0].feed_mm_min, Some(254.0));
        assert_eq!(moves[1].end[0], 1.0);
    }

    #[test]
    fn what_is_written_to_the_card_moves_nothing() {
        let program = "G28\nM28 stake.gco\nG28\nG1 Z20\nG1 X100 Y100\nM29\nG1 X5";
        assert_eq!(moves(program).len(), 1);
        assert_eq!(after(program).machine_mm(), [5.0, 0.0, 0.0]);
    }

    #[test]
    fn homing_takes_the_named_axes() {
        let walker = after("G28\nG1 X5 Y5 Z5\nG28 X Y0");
        assert_eq!(walker.machine_mm(), [0.0, 0.0, 5.0]);
    }

    #[test]
    fn a_dwell_is_in_milliseconds_or_seconds() {
        let waits = |line: &str| walk(&mut Walker::default(), line)[0].dwell_s;
        // RepRap wiki, G4: "G4 S2" equals "G4 P2000".
        assert_eq!(waits("G4 P2000"), 2.0);
        assert_eq!(waits("G4 S2"), 2.0);
        assert_eq!(waits("G4"), 0.0);
    }

    #[test]
    fn heaters_fans_tools_and_firmware_retracts_are_followed() {
        let walker = after("M104 S210\nM104 S190 T1\nM190 R60\nM106 S128\nM106 P1 S9\nT1\nG10");
        assert_eq!(walker.nozzle_target_c(0), Some(210.0));
        assert_eq!(walker.nozzle_target_c(1), Some(190.0));
        assert_eq!(walker.bed_target_c(), Some(60.0));
        assert_eq!(walker.fan(), Some(128.0));
        assert_eq!(walker.tool(), 1);
        assert!(walker.is_retracted());
        assert!(!after("G10\nG11").is_retracted());
        assert!(!after("G10 P1 R180 S200").is_retracted());
    }

    /// RepRap wiki, M200: E counts volume. The area of 1.75 mm filament is 2.405282 mm².
    #[test]
    fn e_may_count_volume() {
        let moves = moves("M200 D1.75\nM83\nG1 X1 E2.405282\nM200 D0\nG1 X2 E2");
        assert_eq!(moves[0].extrusion_nm, 1_000_000);
        assert_eq!(moves[1].extrusion_nm, 2_000_000);
    }

    #[test]
    fn an_arc_without_a_way_is_said_and_walked_straight() {
        let walked = walk(&mut Walker::default(), "G1 X0 Y0\nG2 X10\nG2 X0 R4\nG2 X0 R4\nG2 X10 I5.0021");
        let faults: Vec<_> = walked.iter().filter_map(|walked| walked.fault).collect();
        assert_eq!(faults[0], ArcFault::NoCentre);
        assert_eq!(faults[1], ArcFault::TooFar(2.0));
        assert_eq!(faults[2], ArcFault::EndsAtStart);
        assert!(matches!(faults[3], ArcFault::OffCentre(mismatch) if mismatch > 0.002));
        assert_eq!(walked[1].motion.map(|motion| motion.path), Some(Path::Line));
    }
}
