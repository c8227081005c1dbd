//! What truly happened, whatever the replies said.

use std::fmt;

use serde::Serialize;

use crate::units::Moment;

/// What truly happened to a simulated machine since it was built.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Truth {
    /// Simulated time, s.
    pub simulated_s: f64,
    /// The belt's place: net travel toward the nose, µm.
    pub belt_um: i64,
    /// All travel toward the nose, µm; `belt_um` is the difference of the two.
    pub belt_forward_um: i64,
    /// All travel away from it, µm, not below zero.
    pub belt_backward_um: i64,
    /// Where the belt would be if it had never slipped, µm: what its motor did.
    pub belt_driven_um: i64,
    /// Prints begun; each is a part.
    pub prints_begun: u32,
    /// Parts that fell into the bin.
    pub parts_fallen: u32,
    /// Parts taken off by hand.
    pub parts_taken_off: u32,
    /// Prints whose first plastic was laid while another part was on the belt.
    pub prints_over_a_part: u32,
    /// Prints of which plastic was laid on a keep-out of the belt.
    pub prints_over_a_keep_out: u32,
    /// Belt moves with a part on a bed that was above the part's nominal release temperature.
    pub belt_moved_hot: u32,
    /// Belt moves with the head below the top of a part.
    pub belt_moved_while_head_low: u32,
    /// Parts on the belt, those that hang at the nose too.
    pub parts_on_belt: Vec<PartTruth>,
    /// The part that left last, as it was then.
    pub last_gone: Option<PartTruth>,
    /// Filament that left the nozzle, mm.
    pub plastic_mm: f64,
    /// Fingerprint of everything laid, in bed coordinates.
    pub path_hash: u64,
    /// Bed temperature, °C.
    pub bed_c: f64,
    /// What the bed is set to, °C.
    pub bed_target_c: f64,
    /// Nozzle temperature, °C.
    pub nozzle_c: f64,
    /// What the nozzle is set to, °C.
    pub nozzle_target_c: f64,
    /// Commands executed.
    pub commands: u64,
    /// Lines that were asked for again.
    pub lines_refused: u64,
    /// Bytes that found the input full, or the line too long.
    pub bytes_lost: u64,
    /// Times it was reset.
    pub resets: u32,
    /// Whether it was stopped for good and waits for a reset.
    pub halted: bool,
}

/// A part as it truly is.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartTruth {
    /// Counted from 1.
    pub number: u32,
    /// Its end away from the nose: along-belt coordinate now, µm.
    pub tail_um: i64,
    /// Its end toward the nose, µm.
    pub lead_um: i64,
    /// Its least coordinate across the belt, µm.
    pub left_um: i64,
    /// Its greatest coordinate across the belt, µm.
    pub right_um: i64,
    /// Greatest height at which plastic was laid, mm.
    pub height_mm: f64,
    /// How often plastic was laid higher than before.
    pub layers: u32,
    /// Filament in it, mm.
    pub filament_mm: f64,
    /// Bed temperature at which it lets go, °C.
    pub release_c: f64,
    /// Whether it sticks to the belt.
    pub sticks: bool,
    /// Whether it hangs at the nose, past it by its whole length, and sticks.
    pub hangs: bool,
    /// Fingerprint of its path.
    pub path_hash: u64,
}

/// Something worth a line in the log.
#[derive(Clone, Debug, PartialEq)]
#[expect(missing_docs, reason = "the sentences of `Display` say it all")]
pub enum Happening {
    Started,
    PrintBegun { part: u32 },
    PrintOverAPart { part: u32 },
    PartLetGo { part: u32, bed_c: f64 },
    PartFell { part: u32 },
    PartHangs { part: u32 },
    PartTakenOff { part: u32 },
    BeltMovedHot { bed_c: f64 },
    BeltMovedWhileHeadLow { head_mm: f64, top_mm: f64 },
    BytesLost { count: u64 },
    Halted { reason: &'static str },
    LinkCut,
}

/// A happening with its time.
#[derive(Clone, Debug, PartialEq)]
pub struct Note {
    /// When, in simulated time.
    pub at: Moment,
    /// What.
    pub what: Happening,
}

impl fmt::Display for Happening {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Started => write!(f, "the printer has started"),
            Self::PrintBegun { part } => write!(f, "print {part} begun"),
            Self::PrintOverAPart { part } => write!(f, "print {part} was begun while a part is on the belt"),
            Self::PartLetGo { part, bed_c } => write!(f, "part {part} let go, the bed is at {bed_c:.2} °C"),
            Self::PartFell { part } => write!(f, "part {part} fell into the bin"),
            Self::PartHangs { part } => write!(f, "part {part} sticks and hangs at the nose"),
            Self::PartTakenOff { part } => write!(f, "part {part} was taken off by hand"),
            Self::BeltMovedHot { bed_c } => write!(f, "the belt moved with a part on a bed of {bed_c:.2} °C"),
            Self::BeltMovedWhileHeadLow { head_mm, top_mm } => {
                write!(f, "the belt moved with the head at {head_mm:.2} mm and a part {top_mm:.2} mm high")
            }
            Self::BytesLost { count } => write!(f, "{count} bytes were lost, the input was full or the line too long"),
            Self::Halted { reason } => write!(f, "stopped for good until a reset: {reason}"),
            Self::LinkCut => write!(f, "the connection was cut"),
        }
    }
}
