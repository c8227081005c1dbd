//! What goes wrong, and when.

use std::fmt;
use std::time::Duration;

use nosebar::job::Phase;
use nosebar::sim::{HeaterName, ReportForm};

use super::cable::Damage;
use super::chance::Chance;
use super::phone::Asked;

/// A fault and when it happens.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Fault {
    pub(crate) when: When,
    pub(crate) what: What,
}

/// When a fault happens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum When {
    /// After so much line time.
    At(Duration),
    /// So long after the copy that was begun as the so-manyth came into this phase for the first time.
    In { copy: u32, phase: Phase, after: Duration },
}

/// A way of the cable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Toward {
    Machine,
    Host,
}

/// How the clear-check program fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Program {
    Hangs,
    Crashes,
    SaysClear,
    SaysNotClear,
}

/// What goes wrong.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum What {
    Bytes(Toward, Damage),
    LoseOk,
    DoubleOk,
    /// A resend request for a line so far back, or ahead, of the one that is wanted.
    StrayResend(i64),
    UnknownCommand,
    OddReport(ReportForm),
    /// Nothing but `busy` for so long.
    Busy(Duration),
    Reset,
    /// The link is lost and cannot be opened for so long.
    Cut(Duration),
    /// Nothing is read or said for so long.
    Silence(Duration),
    HeaterStalls {
        name: HeaterName,
        noticed: bool,
    },
    HeaterSlow(HeaterName, f64),
    HeaterOvershoots(HeaterName, f64),
    /// A thermometer that shows this whatever is true.
    Nonsense(HeaterName, f64),
    /// So warm around the machine that the bed never cools to where parts let go.
    HotRoom(f64),
    BeltSlips(f64),
    PartSticks,
    PartFallsLate(f64),
    PartFallsBack(f64),
    PartBreaks,
    SwitchStuck {
        pressed: bool,
    },
    CheckProgram(Program),
    StoreFails(Duration),
    DiskFull(Duration),
    /// The process is killed so many effects from now, and started again so much later.
    Kill {
        effects: u32,
        down: Duration,
    },
    /// The civil clock is set.
    ClockSet(i64),
    /// The computer sleeps.
    Sleep(Duration),
    /// Two phones at once.
    Phones(Asked, Asked),
    /// The file cannot be read, or was changed behind the program's back.
    FileSpoilt,
}

impl What {
    /// A word for it, for counting.
    pub(crate) fn kind(&self) -> &'static str {
        match self {
            Self::Bytes(_, Damage::Lost { .. }) => "bytes lost",
            Self::Bytes(_, Damage::Doubled { .. }) => "bytes doubled",
            Self::Bytes(_, Damage::Flipped { .. }) => "byte flipped",
            Self::Bytes(_, Damage::Delayed(_)) => "bytes delayed",
            Self::LoseOk => "ok lost",
            Self::DoubleOk => "ok doubled",
            Self::StrayResend(back) if *back < 0 => "resend of an old line",
            Self::StrayResend(_) => "resend of a future line",
            Self::UnknownCommand => "unknown command",
            Self::OddReport(form) => match form {
                ReportForm::Whole => "report T: B:",
                ReportForm::WholeWithTargets => "report T: / B: /",
                ReportForm::Decimals => "report T: T0: @:",
                ReportForm::Tight => "report T0:/",
                ReportForm::Raw => "report RAW",
            },
            Self::Busy(_) => "endless busy",
            Self::Reset => "reset",
            Self::Cut(_) => "link lost",
            Self::Silence(_) => "silence",
            Self::HeaterStalls { .. } => "heater stalls",
            Self::HeaterSlow(..) => "heater slow",
            Self::HeaterOvershoots(..) => "heater overshoots",
            Self::Nonsense(..) => "nonsense reading",
            Self::HotRoom(_) => "bed never cools",
            Self::BeltSlips(_) => "belt slips",
            Self::PartSticks => "part sticks",
            Self::PartFallsLate(_) => "part falls late",
            Self::PartFallsBack(_) => "part falls back",
            Self::PartBreaks => "part breaks in two",
            Self::SwitchStuck { pressed: true } => "switch stuck on",
            Self::SwitchStuck { pressed: false } => "switch stuck off",
            Self::CheckProgram(Program::Hangs) => "check program hangs",
            Self::CheckProgram(Program::Crashes) => "check program crashes",
            Self::CheckProgram(_) => "check program lies",
            Self::StoreFails(_) => "store write fails",
            Self::DiskFull(_) => "disk full",
            Self::Kill { .. } => "process killed",
            Self::ClockSet(_) => "clock set",
            Self::Sleep(_) => "computer slept",
            Self::Phones(..) => "two phones",
            Self::FileSpoilt => "file spoilt",
        }
    }

    /// One by chance.
    pub(crate) fn any(chance: &mut Chance) -> Self {
        let seconds = Duration::from_secs;
        let heater = |chance: &mut Chance| chance.one_of(&[HeaterName::Bed, HeaterName::Nozzle]);
        let toward = |chance: &mut Chance| chance.one_of(&[Toward::Machine, Toward::Host]);
        match chance.below(KINDS.len()) {
            0 => {
                let damage = Damage::Lost { at: chance.below(200), count: chance.below(30) + 1 };
                Self::Bytes(toward(chance), damage)
            }
            1 => {
                let damage = Damage::Doubled { at: chance.below(200), count: chance.below(30) + 1 };
                Self::Bytes(toward(chance), damage)
            }
            2 => Self::Bytes(toward(chance), Damage::Flipped { at: chance.below(200), bit: chance.below(7) as u8 }),
            3 => {
                let span = chance.span(Duration::from_millis(5), seconds(30));
                Self::Bytes(toward(chance), Damage::Delayed(span))
            }
            4 => Self::LoseOk,
            5 => Self::DoubleOk,
            6 => Self::StrayResend(-(chance.below(200) as i64 + 1)),
            7 => Self::StrayResend(chance.below(2000) as i64 + 5),
            8 => Self::UnknownCommand,
            n @ 9..=13 => Self::OddReport(
                [
                    ReportForm::Whole,
                    ReportForm::WholeWithTargets,
                    ReportForm::Decimals,
                    ReportForm::Tight,
                    ReportForm::Raw,
                ][n - 9],
            ),
            14 => Self::Busy(chance.span(seconds(5), seconds(7200))),
            15 => Self::Reset,
            16 => Self::Cut(chance.span(Duration::from_millis(100), seconds(600))),
            17 => Self::Silence(chance.span(seconds(1), seconds(900))),
            18 => Self::HeaterStalls { name: heater(chance), noticed: chance.one_in(2) },
            19 => Self::HeaterSlow(heater(chance), chance.within(1.5, 20.0)),
            20 => Self::HeaterOvershoots(heater(chance), chance.within(1.0, 30.0)),
            21 => {
                let shown = chance.one_of(&[-14.0, 0.0, 20.0, 25.0, 60.0, 205.0, 999.0, f64::NAN]);
                Self::Nonsense(heater(chance), shown)
            }
            22 => Self::HotRoom(chance.within(33.0, 56.0)),
            23 => Self::BeltSlips(chance.within(0.01, 1.0)),
            24 => Self::PartSticks,
            25 => Self::PartFallsLate(chance.within(1.0, 120.0)),
            26 => Self::PartFallsBack(chance.within(1.0, 150.0)),
            27 => Self::PartBreaks,
            28 => Self::SwitchStuck { pressed: true },
            29 => Self::SwitchStuck { pressed: false },
            30 => Self::CheckProgram(Program::Hangs),
            31 => Self::CheckProgram(Program::Crashes),
            32 => Self::CheckProgram(chance.one_of(&[Program::SaysClear, Program::SaysNotClear])),
            33 => Self::StoreFails(chance.span(Duration::from_millis(1), seconds(300))),
            34 => Self::DiskFull(chance.span(Duration::from_millis(1), seconds(300))),
            35 | 36 => {
                let down = chance.span(Duration::from_millis(50), seconds(3600));
                Self::Kill { effects: chance.below(40) as u32, down }
            }
            37 => Self::ClockSet(chance.one_of(&[-7_200_000, -3_000, 1_500, 3_600_000, 86_400_000])),
            38 => Self::Sleep(chance.span(seconds(1), seconds(30_000))),
            39 => Self::FileSpoilt,
            _ => Self::Phones(Asked::any(chance), Asked::any(chance)),
        }
    }
}

/// Words of all kinds; each must happen now and then.
pub(crate) const KINDS: [&str; 43] = [
    "bytes lost",
    "bytes doubled",
    "byte flipped",
    "bytes delayed",
    "ok lost",
    "ok doubled",
    "resend of an old line",
    "resend of a future line",
    "unknown command",
    "report T: B:",
    "report T: / B: /",
    "report T: T0: @:",
    "report T0:/",
    "report RAW",
    "endless busy",
    "reset",
    "link lost",
    "silence",
    "heater stalls",
    "heater slow",
    "heater overshoots",
    "nonsense reading",
    "bed never cools",
    "belt slips",
    "part sticks",
    "part falls late",
    "part falls back",
    "part breaks in two",
    "switch stuck on",
    "switch stuck off",
    "check program hangs",
    "check program crashes",
    "check program lies",
    "store write fails",
    "disk full",
    "process killed",
    "process killed",
    "clock set",
    "computer slept",
    "file spoilt",
    "two phones",
    "two phones",
    "two phones",
];

impl When {
    pub(crate) fn any(chance: &mut Chance, copies: u32) -> Self {
        if chance.one_in(4) {
            return Self::At(chance.span(Duration::from_secs(1), Duration::from_secs(3000)));
        }
        let phase = chance.one_of(Phase::ALL);
        let after = chance.span(Duration::from_millis(1), Duration::from_secs(60));
        Self::In { copy: chance.below(copies as usize) as u32 + 1, phase, after }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.when {
            When::At(after) => write!(f, "after {after:?}: ")?,
            When::In { copy, phase, after } => write!(f, "copy {copy}, {after:?} into {phase}: ")?,
        }
        write!(f, "{:?}", self.what)
    }
}
