//! The metal: what heats, moves, rides and falls. It knows no commands and no replies, and a reset does not change it.

use std::collections::VecDeque;
use std::time::Duration;

use super::belt::{Belt, BeltMove, MicroUnits, micro_units};
use super::config::{FrameConfig, ReportForm, SimConfig};
use super::heater::Heater;
use super::keep_out::KeepOuts;
use super::parts::{First, HASH_START, Marks, Parts, mix};
use super::path::Path;
use super::truth::Happening;
use crate::units::Moment;

/// A move in the planner.
#[derive(Clone, Debug)]
pub(super) struct Block {
    pub(super) path: Path,
    /// The extruder that turns, and by how much, mm of filament after flow.
    pub(super) extrusion: Option<(usize, f64)>,
    /// What the belt's drive does.
    pub(super) belt: MicroUnits,
    pub(super) marks: Marks,
    /// What the bed was set to when the command was read.
    pub(super) bed_target_c: f64,
    pub(super) duration: Duration,
}

/// Which of the two heaters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeaterName {
    /// The bed's.
    Bed,
    /// The nozzle's.
    Nozzle,
}

#[derive(Clone, Copy, Debug, Default)]
struct Extruder {
    place_mm: f64,
    /// Greatest place so far: plastic leaves the nozzle only beyond it.
    high_mm: f64,
}

/// The move under way.
#[derive(Clone, Copy, Debug)]
struct UnderWay {
    since: Moment,
    belt_from: MicroUnits,
    /// Share of the move from which on plastic is laid.
    lays_from: Option<f64>,
}

/// The metal.
#[derive(Clone, Debug)]
pub(super) struct Body {
    frame: FrameConfig,
    now: Moment,
    pub(super) bed: Heater,
    pub(super) nozzle: Heater,
    pub(super) belt: Belt,
    pub(super) parts: Parts,
    head: [f64; 3],
    extruders: Vec<Extruder>,
    planner: VecDeque<Block>,
    under_way: Option<UnderWay>,
    pub(super) plastic_mm: f64,
    pub(super) path_hash: u64,
    pub(super) moved_hot: u32,
    pub(super) moved_low: u32,
    pub(super) notes: Vec<Happening>,
}

impl Body {
    pub(super) fn new(config: &SimConfig, now: Moment) -> Self {
        Self {
            frame: config.frame,
            now,
            bed: Heater::new(config.bed, now),
            nozzle: Heater::new(config.nozzle, now),
            belt: Belt::new(config.belt),
            parts: Parts::new(config.release.clone(), &config.frame, resolution_c(config.report) / 2.0)
                .with_keep_outs(KeepOuts::new(config.loop_um, config.keep_outs.clone())),
            head: [0.0; 3],
            extruders: vec![Extruder::default(); config.motion.tools],
            planner: VecDeque::new(),
            under_way: None,
            plastic_mm: 0.0,
            path_hash: HASH_START,
            moved_hot: 0,
            moved_low: 0,
            notes: Vec::new(),
        }
    }

    pub(super) fn heater(&self, name: HeaterName) -> &Heater {
        match name {
            HeaterName::Bed => &self.bed,
            HeaterName::Nozzle => &self.nozzle,
        }
    }

    pub(super) fn heater_mut(&mut self, name: HeaterName) -> &mut Heater {
        match name {
            HeaterName::Bed => &mut self.bed,
            HeaterName::Nozzle => &mut self.nozzle,
        }
    }

    /// Where the head truly is.
    pub(super) fn head(&self) -> [f64; 3] {
        match (self.under_way, self.planner.front()) {
            (Some(under_way), Some(block)) => block.path.point(self.share_made(under_way, block)),
            _ => self.head,
        }
    }

    /// Homing has brought the head here.
    pub(super) fn place_head(&mut self, head: [f64; 3]) {
        self.head = head;
    }

    /// Moves in the planner, the one under way included.
    pub(super) fn planned(&self) -> usize {
        self.planner.len()
    }

    /// Takes a move; it begins at once if none is under way.
    pub(super) fn enqueue(&mut self, block: Block) {
        self.planner.push_back(block);
        if self.under_way.is_none() {
            self.start_next(self.now);
        }
    }

    /// When the move under way ends.
    pub(super) fn move_end(&self) -> Option<Moment> {
        Some(self.under_way?.since + self.planner.front()?.duration)
    }

    /// When all moves will have been made.
    pub(super) fn motion_end(&self) -> Option<Moment> {
        let rest: Duration = self.planner.iter().skip(1).map(|block| block.duration).sum();
        self.move_end().map(|end| end + rest)
    }

    /// The next moment, later than the last one it was told, at which a part lets go, falls or begins to hang.
    pub(super) fn next_part_event(&self) -> Option<Moment> {
        let release = self.parts.next_release_c().and_then(|c| self.bed.reaches(self.now, c));
        let places = [self.parts.next_fall_um(), self.parts.next_hang_um()];
        let passes = places.into_iter().flatten().min().and_then(|place| self.when_at(place));
        // Rounding may leave the belt a hair short at the moment told: try again a microsecond later, not at once.
        let soon = Moment(self.now.0 + 1);
        release.into_iter().chain(passes).min().map(|moment| moment.max(soon))
    }

    /// Time passes up to `now`, which must not lie beyond the next move end or part event.
    pub(super) fn advance(&mut self, now: Moment) {
        self.now = now;
        self.follow_belt();
        while self.move_end().is_some_and(|end| end <= now) {
            let end = self.move_end().unwrap_or(now);
            self.finish_move();
            self.start_next(end);
        }
        self.settle();
    }

    /// Stops the motors now: the move under way counts as far as it got, the rest of the planner is lost.
    pub(super) fn cut_motion(&mut self) {
        self.follow_belt();
        if let (Some(under_way), Some(block)) = (self.under_way.take(), self.planner.pop_front()) {
            let share = self.share_made(under_way, &block);
            self.complete(&block, under_way, share);
        }
        self.planner.clear();
        self.settle();
    }

    /// From now on this share of belt travel is lost, also of the rest of a move under way.
    pub(super) fn slip_belt(&mut self, share: f64) {
        self.follow_belt();
        let done_before = self.belt.commanded();
        self.belt.set_slip(share);
        if let Some(under_way) = &mut self.under_way {
            under_way.belt_from -= done_before;
        }
    }

    /// Frees and drops what the bed's temperature and the belt's place now let go.
    pub(super) fn settle(&mut self) {
        let bed_c = self.bed.temperature(self.now);
        self.parts.settle(bed_c, self.belt.place_um(), &mut self.notes);
    }

    pub(super) fn presses_switch(&self) -> bool {
        self.parts.presses_switch(self.belt.place_um())
    }

    fn share_made(&self, under_way: UnderWay, block: &Block) -> f64 {
        let elapsed = self.now.since(under_way.since);
        if elapsed >= block.duration { 1.0 } else { elapsed.div_duration_f64(block.duration) }
    }

    fn belt_move(&self) -> Option<(UnderWay, BeltMove)> {
        let (under_way, block) = (self.under_way?, self.planner.front()?);
        (block.belt != 0).then_some((under_way, BeltMove { units: block.belt, duration: block.duration }))
    }

    fn when_at(&self, place_um: i64) -> Option<Moment> {
        let (under_way, moving) = self.belt_move()?;
        let time = self.belt.time_to(place_um, under_way.belt_from, moving)?;
        // Up to the next whole microsecond.
        Some(under_way.since + time + Duration::from_nanos(999))
    }

    fn follow_belt(&mut self) {
        if let Some((under_way, moving)) = self.belt_move() {
            self.belt.drive_to(under_way.belt_from + moving.done(self.now.since(under_way.since)));
        }
    }

    fn start_next(&mut self, at: Moment) {
        let Some(block) = self.planner.front() else { return };
        let (belt, marks, bed_target_c) = (block.belt, block.marks, block.bed_target_c);
        let lays_from = self.lays_from(block);
        let on_belt = lays_from.filter(|_| block.path.over(&self.frame));
        let start = on_belt.map(|share| block.path.laid(share, share, &self.frame));
        self.under_way = Some(UnderWay { since: at, belt_from: self.belt.commanded(), lays_from });
        if let Some(first) = start {
            let place_um = self.belt.place_um();
            self.parts.begin_plastic(&First { marks, laid: first, bed_target_c, place_um }, &mut self.notes);
            // What is begun beyond the nose has nothing to lie on, whether time passes or not.
            self.settle();
        }
        if belt != 0 {
            self.judge_belt_move(at);
        }
    }

    fn judge_belt_move(&mut self, at: Moment) {
        let bed_c = self.bed.temperature(at);
        if self.parts.any_hotter(bed_c) {
            self.moved_hot += 1;
            self.notes.push(Happening::BeltMovedHot { bed_c });
        }
        let (head_mm, top_mm) = (self.head[2], self.parts.top_mm());
        if head_mm < top_mm {
            self.moved_low += 1;
            self.notes.push(Happening::BeltMovedWhileHeadLow { head_mm, top_mm });
        }
    }

    /// The share of the move from which on plastic leaves the nozzle, if it does.
    fn lays_from(&self, block: &Block) -> Option<f64> {
        let (tool, travel) = block.extrusion?;
        let Extruder { place_mm, high_mm } = self.extruders[tool];
        let beyond = place_mm + travel - high_mm;
        (beyond > 1e-9).then(|| (1.0 - beyond / travel).clamp(0.0, 1.0))
    }

    fn finish_move(&mut self) {
        if let (Some(under_way), Some(block)) = (self.under_way.take(), self.planner.pop_front()) {
            self.belt.drive_to(under_way.belt_from + block.belt);
            self.complete(&block, under_way, 1.0);
        }
    }

    /// A move was made up to `share` of it.
    fn complete(&mut self, block: &Block, under_way: UnderWay, share: f64) {
        self.head = block.path.point(share);
        let Some((tool, travel)) = block.extrusion else { return };
        let extruder = &mut self.extruders[tool];
        let high_before = extruder.high_mm;
        extruder.place_mm += travel * share;
        extruder.high_mm = extruder.high_mm.max(extruder.place_mm);
        let filament = extruder.high_mm - high_before;
        let Some(from) = under_way.lays_from.filter(|from| *from < share) else { return };
        let mut laid = block.path.laid(from, share, &self.frame);
        laid.filament_mm = filament;
        laid.hash = mix(laid.hash, micro_units(filament).unsigned_abs());
        self.plastic_mm += filament;
        self.path_hash = mix(self.path_hash, laid.hash);
        if block.path.over(&self.frame) {
            self.parts.lay(&laid, self.belt.place_um(), self.bed.temperature(self.now));
        }
    }
}

/// The smallest step that a report shows, K.
const fn resolution_c(form: ReportForm) -> f64 {
    match form {
        ReportForm::Whole | ReportForm::WholeWithTargets => 1.0,
        ReportForm::Tight => 0.1,
        ReportForm::Decimals | ReportForm::Raw => 0.01,
    }
}
