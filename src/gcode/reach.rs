//! Moves that leave what the machine can take.

use super::bounds::Bounds;
use super::findings::Findings;
use crate::job::Limits;

const AXES: [char; 3] = ['X', 'Y', 'Z'];

/// Which sides were left already: each is told once, at its first line.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Outside {
    told: [[bool; 2]; 3],
}

impl Outside {
    /// Refuses the move of this line if with it the box of all that was commanded leaves the limits.
    pub(crate) fn check(&mut self, reach: &Bounds, limits: &Limits, line: u64, refusals: &mut Findings) {
        let least = [limits.x_min_mm, limits.y_min_mm, limits.z_min_mm];
        let greatest = [limits.x_max_mm, limits.y_max_mm, limits.z_max_mm];
        for axis in 0..3 {
            if reach.least[axis] < least[axis] && !self.told[axis][0] {
                self.told[axis][0] = true;
                tell(refusals, line, axis, reach.least[axis], "below", least[axis]);
            }
            if reach.greatest[axis] > greatest[axis] && !self.told[axis][1] {
                self.told[axis][1] = true;
                tell(refusals, line, axis, reach.greatest[axis], "above", greatest[axis]);
            }
        }
    }
}

fn tell(refusals: &mut Findings, line: u64, axis: usize, value: f64, side: &str, limit: f64) {
    let code = match (axis, side) {
        (2, "above") => "too-high",
        (2, _) => "too-low",
        _ => "outside-bed",
    };
    let value = (value * 1000.0).round() / 1000.0;
    let axis = AXES[axis];
    refusals.add(code, line, || format!("the head is sent to {axis} {value} mm, {side} the machine's {limit} mm"));
}
