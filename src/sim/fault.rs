//! What can go wrong with the machine, its link and its parts.

use std::time::Duration;

use super::body::HeaterName;
use super::heater::Condition;
use super::thermometer::Thermometer;

/// Something that goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// Happens to a line that arrives: the one that the script names, or else the next.
    Line(LineFault),
    /// The next `ok` is not sent.
    LoseOk,
    /// The next `ok` is sent twice.
    DoubleOk,
    /// The board starts anew: everything that it remembers is lost. Belt and parts stay.
    Reset,
    /// A heater works, is slow, or fails.
    Heater(HeaterName, Condition),
    /// The part with this number will not let go until it is taken off by hand.
    PartSticks(u32),
    /// The part on the belt, or else the next one, will not let go until it is taken off by hand.
    LastPartSticks,
    /// The nose switch works, or is stuck.
    Switch(SwitchCondition),
    /// For this long the board reads nothing and says nothing; moves that are planned go on.
    Silence(Duration),
    /// The connection is cut. It can be made anew.
    Cut,
    /// From now on this share of belt travel is lost, 0…1.
    BeltSlips(f64),
    /// A heater's thermometer works, or shows what is not so.
    Thermometer(HeaterName, Thermometer),
    /// The air around the machine has this temperature from now on, °C.
    Room(f64),
    /// The part on the belt, or else the next one, does not fall as it should.
    LastPart(Mishap),
}

/// How a part that is loose fails to fall at the nose.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mishap {
    /// It falls this much farther on, mm.
    FallsLate(f64),
    /// Once, it tips back onto the belt, so far before the nose, mm.
    FallsBack(f64),
    /// Half of it falls, and half stays on the belt until it is taken off by hand.
    Breaks,
}

/// Something that happens to a line on its way to the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineFault {
    /// A bit flips in its middle.
    Garble,
    /// The byte in its middle is lost.
    LoseByte,
    /// All of it is lost.
    Lose,
    /// It arrives whole, and the board asks for it again nevertheless.
    Resend,
}

/// How well the nose switch works.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SwitchCondition {
    /// As built.
    #[default]
    Works,
    /// Says open whatever lies at the nose.
    StuckOpen,
    /// Says pressed whatever lies at the nose.
    StuckPressed,
}

impl Fault {
    /// Its word in a fault script.
    pub(super) const fn kind(self) -> &'static str {
        match self {
            Self::Line(LineFault::Garble) => "garble",
            Self::Line(LineFault::LoseByte) => "lose-byte",
            Self::Line(LineFault::Lose) => "lose-line",
            Self::Line(LineFault::Resend) => "resend",
            Self::LoseOk => "lose-ok",
            Self::DoubleOk => "double-ok",
            Self::Reset => "reset",
            Self::Heater(..) => "heater",
            Self::PartSticks(_) | Self::LastPartSticks => "part",
            Self::Switch(_) => "switch",
            Self::Silence(_) => "silence",
            Self::Cut => "cut",
            Self::BeltSlips(_) => "belt",
            Self::Thermometer(..) => "thermometer",
            Self::Room(_) => "room",
            Self::LastPart(_) => "mishap",
        }
    }
}

impl LineFault {
    /// What becomes of a line; `None` if nothing arrives.
    pub(super) fn spoil(self, mut line: Vec<u8>) -> Option<Vec<u8>> {
        let middle = line.len() / 2;
        match self {
            Self::Lose => return None,
            // The bit makes digits other digits and letters other letters.
            Self::Garble => {
                if let Some(byte) = line.get_mut(middle) {
                    *byte ^= 1;
                }
            }
            Self::LoseByte if !line.is_empty() => {
                line.remove(middle);
            }
            Self::LoseByte | Self::Resend => {}
        }
        Some(line)
    }
}
