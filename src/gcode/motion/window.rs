//! The look-ahead: moves wait until the speed at their end is certain, then their time is taken.

use super::leg::Leg;
use super::leg_run::LegList;
use crate::gcode::lanes::{at_full_width, smaller};

/// Moves that are looked ahead over. Where a way to a stop takes more than these, a move's time is taken as if the last of
/// them had to end in a stop: it is then a little too long, never too short.
pub(super) const LOOK_AHEAD: usize = 1024;

/// Moves whose times are taken at once, at least, so that looking ahead costs each move the same.
const AT_ONCE: usize = 256;

/// Moves that are planned together.
const TOGETHER: usize = 4;

const MOVES: usize = LOOK_AHEAD + AT_ONCE;

/// Moves whose times are not settled, in the order of the file; one array for each of their figures.
#[derive(Debug)]
pub(super) struct Window {
    count: usize,
    length_mm: Box<[f64; MOVES]>,
    speed2: Box<[f64; MOVES]>,
    entry2: Box<[f64; MOVES]>,
    gain2: Box<[f64; MOVES]>,
    half_inverse: Box<[f64; MOVES]>,
    end: Box<[u64; MOVES]>,
    /// Squares of the planned speeds at the beginnings, and behind the last move.
    plan2: Box<[f64; MOVES + 1]>,
    /// Square of the speed at which the first of them begins.
    start2: f64,
    /// The planned speeds themselves, mm/s, of the moves that are being settled.
    roots: Box<[f64; MOVES + 1]>,
    /// Times of the moves that are being settled, s.
    seconds: Box<[f64; MOVES]>,
}

impl Window {
    pub(super) fn new() -> Self {
        let zeros = || Box::new([0.0; MOVES]);
        Self {
            count: 0,
            length_mm: zeros(),
            speed2: zeros(),
            entry2: zeros(),
            gain2: zeros(),
            half_inverse: zeros(),
            end: Box::new([0; MOVES]),
            plan2: Box::new([0.0; MOVES + 1]),
            start2: 0.0,
            roots: Box::new([0.0; MOVES + 1]),
            seconds: zeros(),
        }
    }

    /// Adds a move that ends its line at byte `end`. `settled` is told the times, s, and line ends of moves in their order,
    /// as they become certain.
    pub(super) fn push(&mut self, leg: &Leg, end: u64, settled: impl FnMut(&[f64], &[u64])) {
        self.make_room(1, settled);
        let at = self.count;
        self.length_mm[at] = leg.length_mm;
        self.speed2[at] = leg.speed2;
        self.entry2[at] = leg.entry2;
        self.gain2[at] = leg.gain2;
        self.half_inverse[at] = leg.half_inverse;
        self.end[at] = end;
        self.count += 1;
    }

    /// The same for many moves, at most [`AT_ONCE`]; their lines end so many bytes behind byte `before`.
    pub(super) fn extend(&mut self, legs: &LegList, before: u64, ends: &[u32], settled: impl FnMut(&[f64], &[u64])) {
        let count = ends.len();
        self.make_room(count, settled);
        let added = self.count..self.count + count;
        self.length_mm[added.clone()].copy_from_slice(&legs.length_mm[..count]);
        self.speed2[added.clone()].copy_from_slice(&legs.speed2[..count]);
        self.entry2[added.clone()].copy_from_slice(&legs.entry2[..count]);
        self.gain2[added.clone()].copy_from_slice(&legs.gain2[..count]);
        self.half_inverse[added.clone()].copy_from_slice(&legs.half_inverse[..count]);
        for (end, behind) in self.end[added].iter_mut().zip(ends) {
            *end = before + u64::from(*behind);
        }
        self.count += count;
    }

    /// The last move ends in a stop: all times are certain.
    pub(super) fn settle_all(&mut self, settled: impl FnMut(&[f64], &[u64])) {
        if self.count > 0 {
            self.brake();
            self.settle(self.count, settled);
        }
    }

    fn make_room(&mut self, moves: usize, settled: impl FnMut(&[f64], &[u64])) {
        if self.count + moves > MOVES {
            let certain = self.brake();
            self.settle(certain.max(AT_ONCE), settled);
        }
    }

    /// Backward: no move begins faster than it can brake for what follows, as if the last one ended in a stop. Returns how
    /// many moves from the first end at a speed that no later move can change.
    fn brake(&mut self) -> usize {
        let count = self.count;
        let (entry2, gain2) = (&self.entry2[..count], &self.gain2[..count]);
        let plan2 = &mut self.plan2[..=count];
        plan2[count] = 0.0;
        let mut next2 = 0.0;
        let mut at = count;
        while let Some(first) = at.checked_sub(TOGETHER) {
            let backward = |all: &[f64]| std::array::from_fn(|step| all[at - 1 - step]);
            let planned = limited(next2, backward(entry2), backward(gain2));
            for (step, plan) in planned.into_iter().enumerate() {
                plan2[at - 1 - step] = plan;
            }
            (at, next2) = (first, planned[TOGETHER - 1]);
        }
        for at in (0..at).rev() {
            next2 = smaller(entry2[at], next2 + gain2[at]);
            plan2[at] = next2;
        }
        // Its own corner is the limit, even if everything had to stop behind it.
        (0..count).rev().find(|at| plan2[*at] == entry2[*at]).unwrap_or(0)
    }

    /// Takes the times of the first `count` moves.
    fn settle(&mut self, count: usize, mut settled: impl FnMut(&[f64], &[u64])) {
        self.speed_up(count);
        at_full_width(
            #[inline(always)]
            || self.time(count),
        );
        settled(&self.seconds[..count], &self.end[..count]);
        self.start2 = self.plan2[count];
        let rest = count..self.count;
        self.length_mm.copy_within(rest.clone(), 0);
        self.speed2.copy_within(rest.clone(), 0);
        self.entry2.copy_within(rest.clone(), 0);
        self.gain2.copy_within(rest.clone(), 0);
        self.half_inverse.copy_within(rest.clone(), 0);
        self.end.copy_within(rest, 0);
        self.count -= count;
    }

    /// Forward: no move ends faster than it can get from its beginning.
    fn speed_up(&mut self, count: usize) {
        let gain2 = &self.gain2[..count];
        let plan2 = &mut self.plan2[..=count];
        let mut before2 = self.start2;
        plan2[0] = before2;
        let (gains, last_gains) = gain2.as_chunks::<TOGETHER>();
        let (plans, last_plans) = plan2[1..].as_chunks_mut::<TOGETHER>();
        for (plans, gains) in plans.iter_mut().zip(gains) {
            *plans = limited(before2, *plans, *gains);
            before2 = plans[TOGETHER - 1];
        }
        for (plan, gain) in last_plans.iter_mut().zip(last_gains) {
            before2 = smaller(*plan, before2 + gain);
            *plan = before2;
        }
    }

    #[inline(always)]
    fn time(&mut self, count: usize) {
        let plan2 = &self.plan2[..=count];
        let roots = &mut self.roots[..=count];
        for (root, square) in roots.iter_mut().zip(plan2) {
            *root = square.sqrt();
        }
        let (length_mm, speed2) = (&self.length_mm[..count], &self.speed2[..count]);
        let (gain2, half_inverse) = (&self.gain2[..count], &self.half_inverse[..count]);
        let seconds = &mut self.seconds[..count];
        for at in 0..count {
            let reached2 = 0.5 * (plan2[at] + plan2[at + 1] + gain2[at]);
            let speed = smaller(reached2, speed2[at]).sqrt();
            let (rise, fall) = (speed - roots[at], speed - roots[at + 1]);
            seconds[at] = (length_mm[at] + (rise * rise + fall * fall) * half_inverse[at]) / speed;
        }
    }
}

/// Squares of speeds one behind the other, the first behind one of `from2`: each at most its limit, and at most by its gain more
/// than the one before. The limits and gains of several are put together first, so that of all that waits for `from2` only one
/// sum and one comparison is waited for by what follows.
#[inline(always)]
fn limited(from2: f64, limits2: [f64; TOGETHER], gains2: [f64; TOGETHER]) -> [f64; TOGETHER] {
    let (mut limit2, mut gain2) = (f64::INFINITY, 0.0);
    std::array::from_fn(|at| {
        limit2 = smaller(limits2[at], limit2 + gains2[at]);
        gain2 += gains2[at];
        smaller(limit2, from2 + gain2)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The same over the whole list at once, with each phase of a move on its own.
    fn exactly(legs: &[Leg]) -> Vec<f64> {
        let mut entry2: Vec<f64> = legs.iter().map(|leg| leg.entry2).collect();
        entry2.push(0.0);
        entry2[0] = 0.0;
        for at in (0..legs.len()).rev() {
            entry2[at] = entry2[at].min(entry2[at + 1] + legs[at].gain2);
        }
        for at in 0..legs.len() {
            entry2[at + 1] = entry2[at + 1].min(entry2[at] + legs[at].gain2);
        }
        let time = |(at, leg): (usize, &Leg)| {
            let acceleration = leg.gain2 / (2.0 * leg.length_mm);
            let (from2, to2) = (entry2[at], entry2[at + 1]);
            let top2 = leg.speed2.min((from2 + to2 + leg.gain2) / 2.0);
            let on_ramps = (2.0 * top2 - from2 - to2) / (2.0 * acceleration);
            let ramps = (2.0 * top2.sqrt() - from2.sqrt() - to2.sqrt()) / acceleration;
            ramps + (leg.length_mm - on_ramps).max(0.0) / top2.sqrt()
        };
        legs.iter().enumerate().map(time).collect()
    }

    fn windowed(legs: &[Leg]) -> Vec<f64> {
        let mut window = Window::new();
        let mut times = Vec::new();
        let mut ends = Vec::new();
        let mut take = |seconds: &[f64], settled: &[u64]| {
            times.extend_from_slice(seconds);
            ends.extend_from_slice(settled);
        };
        for (leg, end) in legs.iter().zip(1..) {
            window.push(leg, end, &mut take);
        }
        window.settle_all(&mut take);
        assert!(ends.iter().copied().eq(1..=legs.len() as u64), "each once, in their order");
        times
    }

    /// Moves of one kind in a row: how many, length, speed, acceleration, and the corners' share of the speed.
    fn any_run(shortest_mm: f64) -> impl Strategy<Value = Vec<Leg>> {
        let run = (1_usize..2000, 0.0..3.0_f64, 5.0..300.0_f64, 500.0..5000.0_f64, 0.0..1.0_f64, any::<bool>());
        run.prop_map(move |(count, magnitude, speed, acceleration, corner, is_smooth)| {
            let length_mm = shortest_mm * 10_f64.powf(magnitude);
            let speed2 = speed * speed;
            let entry2 = if is_smooth { speed2 } else { speed2 * corner };
            let (gain2, half_inverse) = (2.0 * acceleration * length_mm, 0.5 / acceleration);
            vec![Leg { length_mm, speed2, entry2, gain2, half_inverse }; count]
        })
    }

    /// Where two runs meet, the corner is no faster than either.
    fn joined(runs: &[Vec<Leg>]) -> Vec<Leg> {
        let mut legs: Vec<Leg> = runs.concat();
        for at in 1..legs.len() {
            legs[at].entry2 = legs[at].entry2.min(legs[at - 1].speed2);
        }
        legs[0].entry2 = 0.0;
        legs
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]

        /// At 300 mm/s and 500 mm/s² a stop takes 90 mm: 900 moves of the shortest here.
        #[test]
        fn a_window_gives_what_the_whole_list_gives(runs in prop::collection::vec(any_run(0.1), 1..8)) {
            let legs = joined(&runs);
            for (found, wanted) in windowed(&legs).iter().zip(exactly(&legs)) {
                prop_assert!((found - wanted).abs() <= 1e-9 * (1.0 + wanted), "{found} and {wanted}");
            }
        }

        #[test]
        fn moves_too_short_to_stop_within_a_window_are_never_timed_too_short(
            runs in prop::collection::vec(any_run(0.001), 1..8),
        ) {
            let legs = joined(&runs);
            let (found, wanted): (f64, f64) = (windowed(&legs).iter().sum(), exactly(&legs).iter().sum());
            prop_assert!(found >= wanted * (1.0 - 1e-9), "{found} and {wanted}");
        }
    }

    /// Each look back over the window settles at least as many moves as it may cost few looks each: the cost is linear.
    #[test]
    fn a_look_back_always_settles_a_good_part_of_the_window() {
        let leg = Leg { length_mm: 1e-4, speed2: 9e4, entry2: 9e4, gain2: 0.2, half_inverse: 5e-4 };
        let mut window = Window::new();
        let (mut settled, mut looks) = (0, 0);
        for end in 0..20_000 {
            let before = settled;
            window.push(&leg, end, |seconds, _| settled += seconds.len());
            looks += usize::from(settled > before);
            assert!(settled == before || settled - before >= AT_ONCE);
        }
        assert!(looks > 10 && looks * MOVES <= 5 * 20_000, "{looks} looks");
    }
}
