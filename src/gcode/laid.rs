//! Plastic that leaves the nozzle: only while the running sum of E exceeds its highest value so far.

use super::bounds::round6;
use super::lanes::larger;
use super::moves::{Move, millimetres};
use super::run::{LINES, Steps};
use crate::job::Purge;

/// Less than this pushed out standing still, nm of filament, is rounding of an un-retract and no purge: 0.01 mm is 0.024 mm³.
const PURGE_LEAST_NM: i64 = 10_000;

/// Purges listed one by one; of those behind them only the outermost are kept.
const PURGES_LISTED: usize = 200;

/// What was laid so far.
#[derive(Debug, Default)]
pub(crate) struct Laid {
    tools: Vec<ToolSum>,
    /// Where among them the tool of the last move is.
    in_use: usize,
    purges: Purges,
}

/// Filament of one tool, nm. `G92` sets the register and leaves the sum alone.
#[derive(Clone, Copy, Debug)]
struct ToolSum {
    tool: u32,
    sum: i64,
    high: i64,
}

impl Laid {
    /// Takes a move, and says how much filament it laid, nm.
    pub(crate) fn take(&mut self, line: u64, tool: u32, motion: &Move) -> i64 {
        if motion.extrusion_nm == 0 {
            return 0;
        }
        let laid = self.push(tool, motion.extrusion_nm);
        if laid >= PURGE_LEAST_NM && !motion.is_over_bed() {
            self.take_purge(line, motion.end, laid);
        }
        laid
    }

    /// Whether a run may follow: its sums are made in `f64`, which must hold them exactly.
    pub(crate) fn takes_runs(&mut self, tool: u32) -> bool {
        const EXACT_NM: u64 = 1_000_000_000_000_000;
        let sums = self.sums_of(tool);
        sums.sum.unsigned_abs() < EXACT_NM && sums.high.unsigned_abs() < EXACT_NM
    }

    /// Takes the moves of a run that begins behind line `before`. Says how much filament each laid while it went over the bed,
    /// nm.
    pub(crate) fn take_run(&mut self, before: u64, tool: u32, steps: &Steps, laid: &mut [f64; LINES]) {
        let count = steps.count();
        let (x, y) = (&steps.position[0][..=count], &steps.position[1][..=count]);
        let (filament, laid) = (&steps.filament[..count], &mut laid[..count]);
        #[expect(clippy::cast_precision_loss, reason = "exact, as long as runs may follow")]
        let (mut sum, mut high) = (self.sums_of(tool).sum as f64, self.sums_of(tool).high as f64);
        for at in 0..count {
            sum += filament[at];
            let over = larger(sum - high, 0.0);
            high = larger(high, sum);
            let stands = (x[at + 1] == x[at]) & (y[at + 1] == y[at]);
            laid[at] = if stands { 0.0 } else { over };
            if stands & (over >= PURGE_LEAST_NM as f64) {
                self.take_purge(before + u64::from(steps.run.line[at]), steps.motion(at).end, whole(over));
            }
        }
        let sums = self.sums_of(tool);
        (sums.sum, sums.high) = (whole(sum), whole(high));
    }

    /// Filament pushed out for good, mm, by tool, in the order of the tools' numbers.
    pub(crate) fn lengths_mm(&self) -> Vec<(u32, f64)> {
        let used = self.tools.iter().filter(|tool| tool.high > 0);
        let mut lengths: Vec<_> = used.map(|tool| (tool.tool, millimetres(tool.high))).collect();
        lengths.sort_by_key(|(tool, _)| *tool);
        lengths
    }

    /// The purges that are listed, in the order of their lines, and how many are not.
    pub(crate) fn into_purges(self) -> (Vec<Purge>, u64) {
        self.purges.into_list()
    }

    fn push(&mut self, tool: u32, extrusion: i64) -> i64 {
        let sums = self.sums_of(tool);
        sums.sum = sums.sum.saturating_add(extrusion);
        let laid = sums.sum.saturating_sub(sums.high).max(0);
        sums.high = sums.high.max(sums.sum);
        laid
    }

    fn sums_of(&mut self, tool: u32) -> &mut ToolSum {
        if self.tools.get(self.in_use).is_none_or(|sums| sums.tool != tool) {
            self.in_use = self.index_of(tool);
        }
        &mut self.tools[self.in_use]
    }

    #[cold]
    fn take_purge(&mut self, line: u64, at: [f64; 3], laid: i64) {
        let [x, y, z] = at.map(round6);
        self.purges.take(Purge { line, x_mm: x, y_mm: y, z_mm: z, length_mm: millimetres(laid) });
    }

    #[cold]
    fn index_of(&mut self, tool: u32) -> usize {
        self.tools.iter().position(|known| known.tool == tool).unwrap_or_else(|| {
            self.tools.push(ToolSum { tool, sum: 0, high: 0 });
            self.tools.len() - 1
        })
    }
}

#[expect(clippy::cast_possible_truncation, reason = "`as` saturates, which is wanted")]
const fn whole(nm: f64) -> i64 {
    nm as i64
}

#[derive(Debug, Default)]
struct Purges {
    listed: Vec<Purge>,
    /// Least X, greatest X, least Y, greatest Y among those behind the list.
    outermost: [Option<Purge>; 4],
    behind: u64,
}

impl Purges {
    fn take(&mut self, purge: Purge) {
        if self.listed.len() < PURGES_LISTED {
            self.listed.push(purge);
            return;
        }
        self.behind += 1;
        let outward = [|p: &Purge| -p.x_mm, |p: &Purge| p.x_mm, |p: &Purge| -p.y_mm, |p: &Purge| p.y_mm];
        for (kept, outward) in self.outermost.iter_mut().zip(outward) {
            if kept.is_none_or(|kept| outward(&purge) > outward(&kept)) {
                *kept = Some(purge);
            }
        }
    }

    fn into_list(mut self) -> (Vec<Purge>, u64) {
        let mut outermost: Vec<_> = self.outermost.into_iter().flatten().collect();
        outermost.sort_by_key(|purge| purge.line);
        outermost.dedup();
        let unlisted = self.behind - outermost.len() as u64;
        self.listed.append(&mut outermost);
        (self.listed, unlisted)
    }
}
