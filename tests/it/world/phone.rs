//! What people ask for from their phones, whether it makes sense or not.

use nosebar::foreman::{Command, JobCommand, JobPatch, Jog, LineCommand};
use nosebar::job::{JobId, LineName};
use nosebar::units::Micrometres;

use super::chance::Chance;

/// A command from a phone. Which job it is about is a number that is taken round those that there are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Asked {
    HoldNow,
    HoldAfterPart,
    Resume,
    Stop,
    EmergencyStop,
    /// Looks first, and takes off what is there.
    BeltClear,
    NotClear,
    Jog {
        um: i64,
        although_warm: bool,
    },
    HeatTrial(u32),
    EndTrial,
    MarkFlaw {
        near_mm: i64,
        length_mm: i64,
    },
    MoveUp(usize),
    MoveDown(usize),
    HoldJob(usize),
    Release(usize),
    Cancel(usize),
    Copies(usize, u32),
    ReleaseC(usize, u32),
}

impl Asked {
    pub(crate) fn any(chance: &mut Chance) -> Self {
        let job = chance.below(10);
        match chance.below(26) {
            0..=2 => Self::HoldNow,
            3 => Self::HoldAfterPart,
            4..=6 => Self::Resume,
            7 | 8 => Self::Stop,
            9 | 10 => Self::EmergencyStop,
            11 | 12 => Self::BeltClear,
            13 => Self::NotClear,
            14 | 15 => Self::Jog { um: chance.within(-500_000.0, 500_000.0) as i64, although_warm: chance.one_in(2) },
            16 => Self::HeatTrial(chance.below(60) as u32 + 40),
            17 => Self::EndTrial,
            18 => Self::MarkFlaw { near_mm: chance.below(600) as i64, length_mm: chance.below(20) as i64 + 1 },
            19 => Self::MoveUp(job),
            20 => Self::MoveDown(job),
            21 => Self::HoldJob(job),
            22 => Self::Release(job),
            23 => Self::Cancel(job),
            24 => Self::Copies(job, chance.below(4) as u32 + 1),
            _ => Self::ReleaseC(job, chance.below(20) as u32 + 25),
        }
    }

    /// The command, if there is anything that it could be about.
    pub(crate) fn command(&self, line: &LineName, jobs: &[JobId]) -> Option<Command> {
        let what = match *self {
            Self::HoldNow => LineCommand::HoldNow,
            Self::HoldAfterPart => LineCommand::HoldAfterPart,
            Self::Resume => LineCommand::Resume,
            Self::Stop => LineCommand::Stop,
            Self::EmergencyStop => LineCommand::EmergencyStop,
            Self::BeltClear => LineCommand::BeltClear { part: None },
            Self::NotClear => LineCommand::NotClear,
            Self::Jog { um, although_warm } => {
                LineCommand::Jog(Jog { travel: Micrometres(um), feed_mm_min: 1200, looked: true, although_warm })
            }
            Self::HeatTrial(bed_c) => LineCommand::HeatTrial { bed_c, looked: true },
            Self::EndTrial => LineCommand::EndTrial,
            Self::MarkFlaw { near_mm, length_mm } => LineCommand::MarkFlaw {
                near: Micrometres(near_mm * 1000),
                far: Micrometres((near_mm + length_mm) * 1000),
                note: String::new(),
            },
            Self::MoveUp(job) => return of_job(job, jobs, JobCommand::MoveUp),
            Self::MoveDown(job) => return of_job(job, jobs, JobCommand::MoveDown),
            Self::HoldJob(job) => return of_job(job, jobs, JobCommand::Hold),
            Self::Release(job) => return of_job(job, jobs, JobCommand::Release),
            Self::Cancel(job) => return of_job(job, jobs, JobCommand::Cancel),
            Self::Copies(job, copies) => {
                let patch = JobPatch { copies: Some(copies), ..JobPatch::default() };
                return of_job(job, jobs, JobCommand::Patch(patch));
            }
            Self::ReleaseC(job, release_c) => {
                let patch = JobPatch { release_c: Some(Some(f64::from(release_c))), ..JobPatch::default() };
                return of_job(job, jobs, JobCommand::Patch(patch));
            }
        };
        Some(Command::Line { name: line.clone(), what, if_since: None })
    }
}

fn of_job(number: usize, jobs: &[JobId], what: JobCommand) -> Option<Command> {
    let id = *jobs.get(number % jobs.len().max(1))?;
    Some(Command::Job { id, what, if_version: None })
}
