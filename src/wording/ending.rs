//! What follows a print on a printer that is alone with its card: cool, wait, eject.

use std::time::Duration;

use super::task::{cool_down, in_millimetres, lift_to, restore_of};
use crate::belt::{Advance, Drive};
use crate::gcode::{Dialect, Policy, Walker};
use crate::thermal::{Cooling, CoolingError};
use crate::units::{Celsius, Micrometres, Millimetres};

/// How the printer knows that the bed has cooled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CoolBy {
    /// `M190 R` waits for a falling temperature too.
    Reading,
    /// It does not: a fixed wait has to do.
    Time,
}

/// Firmware may take a temperature for reached when it is this close. Common practice.
const CLOSE: Celsius = Celsius(1.0);
/// A fixed wait is longer than the one that is computed: so many times, and so much more. A guess that has to cover a hot day.
const PATIENCE: u32 = 2;
const ALLOWANCE: Duration = Duration::from_secs(600);
/// A long dwell is cut up, so that a person can stop the printer between two of them.
const DWELL_MAX_S: u64 = 60;

/// Said where the belt moves.
pub(super) const UNCHECKED: &str =
    "nothing checks that the part has left: look before anything else is printed on this belt";

/// Everything that the end of a composed file is worked out from.
#[derive(Clone, Debug)]
pub struct Recipe {
    /// How the belt is moved.
    pub drive: Drive,
    /// How far.
    pub advance: Advance,
    /// Bed temperature at which the part lets go.
    pub release: Celsius,
    /// Bed temperature at the end of the print, at most.
    pub hottest: Celsius,
    /// How the bed cools.
    pub cooling: Cooling,
    /// How the printer knows that it has.
    pub cool_by: CoolBy,
    /// The line's own lines before the wait and after it, for fans: what is switched on by the first is switched off by the
    /// others.
    pub cool_lines: (Vec<String>, Vec<String>),
    /// Where the head waits.
    pub park_z: Millimetres,
    /// Where it may go at most.
    pub z_max: Millimetres,
    /// What may be sent.
    pub policy: Policy,
    /// What the printer takes `G90` for.
    pub dialect: Dialect,
}

/// The waits of an ending.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ending {
    /// How long the bed is expected to cool from its hottest.
    pub expected: Duration,
    /// How long the file has the printer stand still by the clock.
    pub dwell: Duration,
}

impl Recipe {
    /// The waits.
    ///
    /// # Errors
    /// [`CoolingError::Never`] where the bed would never be cool enough: a printer that is alone would wait for ever.
    pub fn ending(&self) -> Result<Ending, CoolingError> {
        let expected = self.cooling.wait_for_release(self.hottest, self.release)?;
        let dwell = match self.cool_by {
            CoolBy::Reading => self.cooling.wait_for_release(self.release + CLOSE, self.release)?,
            CoolBy::Time => expected * PATIENCE + ALLOWANCE,
        };
        Ok(Ending { expected, dwell })
    }

    /// The lines that follow the file's last one. `walker` has seen all of it.
    pub(super) fn lines(&self, ending: Ending, walker: &Walker) -> Vec<String> {
        let as_before = restore_of(walker);
        let comment = |text: &str| format!("; {text}");
        let mut lines = vec!["M400".to_owned()];
        lines.extend(cool_down(walker.tool(), lift_to(walker, self.park_z, self.z_max)));
        lines.extend(self.cool_lines.0.iter().cloned());
        match self.cool_by {
            CoolBy::Reading => {
                lines.push(comment("wait until the part lets go, and a little longer, since firmware rounds"));
                lines.push(format!("M190 R{}", self.release.0));
                // It would be kept at that temperature.
                lines.push("M140 S0".to_owned());
            }
            CoolBy::Time => {
                lines.push(comment("CAUTION: a fixed wait; this printer cannot wait for a bed to cool, and nothing"));
                lines.push(comment("measures here. On a hot day the part may still stick when the belt moves."));
            }
        }
        lines.extend(dwells(ending.dwell));
        lines.extend(self.cool_lines.1.iter().cloned());
        lines.push(comment("eject"));
        lines.push(comment(UNCHECKED));
        lines.extend(self.belt_lines(as_before));
        in_millimetres(walker, lines)
    }

    fn belt_lines(&self, as_before: crate::belt::Restore) -> Vec<String> {
        let mut lines = self.drive.before(as_before);
        let mut at = Micrometres(0);
        for belt_move in self.drive.advance_moves(self.advance) {
            lines.extend(self.drive.pieces(at, &belt_move, false).into_iter().flat_map(|piece| piece.lines));
            at += belt_move.travel;
        }
        lines.push("M400".to_owned());
        lines.extend(self.drive.after(as_before));
        lines
    }
}

fn dwells(span: Duration) -> impl Iterator<Item = String> {
    let seconds = span.as_secs() + u64::from(span.subsec_nanos() > 0);
    let rest = seconds % DWELL_MAX_S;
    let whole = (0..seconds / DWELL_MAX_S).map(|_| DWELL_MAX_S);
    whole.chain((rest > 0).then_some(rest)).map(|seconds| format!("G4 S{seconds}"))
}
