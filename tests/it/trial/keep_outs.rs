//! Splice and flaws of the trial's belt, and where they truly are: worked out here once more, by other means.

use nosebar::foreman::{Command, LineCommand};
use nosebar::job::LineName;
use nosebar::units::Micrometres;

use super::house::House;

/// The whole loop, mm: short, so that splice and flaws come by often.
pub(super) const LOOP_MM: i64 = 640;
const SPLICE_WIDTH_MM: i64 = 6;
const MARGIN_MM: i64 = 3;
/// The nose's coordinate along the belt, mm, of the sample machine.
const NOSE_MM: i64 = 220;
/// Flaws before the nose when the line begins: near end, far end, mm.
const FLAWS_MM: [(i64, i64); 2] = [(140, 155), (400, 408)];

/// Stretches of belt material that no footprint may touch, margins included: from, to; a point of the belt has the coordinate
/// that it had when the line began.
pub(super) struct KeepOuts(Vec<(i64, i64)>);

impl KeepOuts {
    /// The splice is at the nose when the line begins; a person says so, and marks the flaws.
    pub(super) async fn mark(house: &House) -> Self {
        house.until_idle().await;
        house.operate(LineCommand::SpliceAtNose).await;
        let um = |mm: i64| Micrometres(mm * 1000);
        for (near, far) in FLAWS_MM {
            house.operate(LineCommand::MarkFlaw { near: um(near), far: um(far), note: String::new() }).await;
        }
        let splice = (NOSE_MM - SPLICE_WIDTH_MM / 2, NOSE_MM + SPLICE_WIDTH_MM / 2);
        let flaws = FLAWS_MM.map(|(near, far)| (NOSE_MM - far, NOSE_MM - near));
        let widened = |(from, to): (i64, i64)| ((from - MARGIN_MM) * 1000, (to + MARGIN_MM) * 1000);
        Self(flaws.into_iter().chain([splice]).map(widened).collect())
    }

    /// Where the part lies on the belt material, µm, with every keep-out brought around the loop to it.
    pub(super) fn are_clear_of(&self, tail_um: i64, lead_um: i64) {
        let around = LOOP_MM * 1000;
        for &(from, to) in &self.0 {
            let turns = (tail_um - to).div_euclid(around);
            for turn in turns..=turns + 2 {
                let (from, to) = (from + turn * around, to + turn * around);
                assert!(to <= tail_um || lead_um <= from, "{tail_um} to {lead_um} lies on the keep-out {from} to {to}");
            }
        }
    }
}

/// The config of this belt.
pub(super) fn config() -> String {
    format!("loop_mm = {LOOP_MM}.0\nsplice_width_mm = {SPLICE_WIDTH_MM}.0\nkeep_out_margin_mm = {MARGIN_MM}.0\n")
}

/// Something that a person does to the line.
pub(super) fn command(what: LineCommand) -> Command {
    Command::Line { name: LineName::new("one").expect("a good name"), what, if_since: None }
}
