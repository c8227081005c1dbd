//! `nosebar demo`: the whole job on a simulated line. Needs nothing.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;
use std::process::ExitCode;

use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;

use super::DemoArgs;
use super::say::say;
use super::serve::{block_on, stop_signal};
use super::start::{House, NotStarted, listen, start};
use crate::clock::Clock;
use crate::config::Config;
use crate::foreman::News;
use crate::job::{Job, JobId};
use crate::store::Entry;
use crate::units::UnixMillis;

/// The demo jobs, so that the program needs no file but itself.
const JOBS: [(&str, &[u8]); 5] = [
    ("plant-marker.2off.gcode", include_bytes!("../../demo-jobs/plant-marker.2off.gcode")),
    ("tray-clip.gcode", include_bytes!("../../demo-jobs/tray-clip.gcode")),
    ("drip-line-stake.gcode", include_bytes!("../../demo-jobs/drip-line-stake.gcode")),
    ("packet-holder.gcode", include_bytes!("../../demo-jobs/packet-holder.gcode")),
    ("seed-scoop.gcode", include_bytes!("../../demo-jobs/seed-scoop.gcode")),
];

/// Entries of the journal that tell the story; the steps between them are on the page.
const STORY: [&str; 12] = [
    "job-accepted",
    "cycle-begin",
    "cycle-end",
    "job-ended",
    "state",
    "retry",
    "step-begin",
    "connected",
    "disconnected",
    "file-rejected",
    "belt-clear",
    "job-held-for-review",
];

/// What has happened, for the last line.
#[derive(Debug, Default)]
struct Tally {
    ended: BTreeSet<JobId>,
    jobs_completed: u32,
    copies_completed: u32,
    copies_scrapped: u32,
    advances: u32,
}

pub(crate) fn run(args: &DemoArgs) -> ExitCode {
    if !(args.speed.is_finite() && args.speed > 0.0) {
        eprintln!("nosebar: --speed is {}; it must be above zero", args.speed);
        return ExitCode::from(2);
    }
    match block_on(demo(args)) {
        Ok(code) => code,
        Err(error) => {
            eprintln!("nosebar: {error}");
            ExitCode::from(2)
        }
    }
}

async fn demo(args: &DemoArgs) -> Result<ExitCode, NotStarted> {
    let temporary = tempfile::Builder::new().prefix("nosebar-demo-").tempdir()?;
    let dir = args.dir.as_deref().unwrap_or_else(|| temporary.path());
    let config = config(dir, args)?;
    let listener = listen(args.listen).await?;
    say(format_args!("one simulated line, at most {} times faster than real time", args.speed));
    let clock = Clock::warped(args.speed);
    let began = clock.wall();
    let house = start(&config, clock, listener).await?;
    house.door.say();
    let news = house.handle.subscribe();
    drop_jobs(&config.daemon.infeed)?;
    say(format_args!("dropped {} sliced files into {}", JOBS.len(), config.daemon.infeed.display()));
    let mut tally = Tally::default();
    let stopped = stop_signal()?;
    tokio::select! {
        told = tell(news, &mut tally, began, args.until_done) => told?,
        () = stopped => {}
    }
    if !args.until_done {
        house.close().await?;
        return Ok(ExitCode::SUCCESS);
    }
    finish(house, &tally).await
}

fn config(dir: &Path, args: &DemoArgs) -> Result<Config, NotStarted> {
    let text = format!(
        "[daemon]\nlisten = \"{}\"\nsettle_s = 0.5\nrescan_s = 2.0\n\n\
         [[line]]\nname = \"one\"\nprinter = {{ link = \"simulated\", speed = {:?} }}\n\
         check = {{ kind = \"switch\", input = \"nose\" }}\n",
        args.listen, args.speed
    );
    Ok(Config::parse(&text, &dir.join("nosebar.toml"))?)
}

/// As a person does it: written under another name, then renamed into place.
fn drop_jobs(infeed: &Path) -> Result<(), NotStarted> {
    std::fs::create_dir_all(infeed)?;
    for (name, bytes) in JOBS {
        let partial = infeed.join(format!(".{name}.part"));
        std::fs::write(&partial, bytes)?;
        std::fs::rename(&partial, infeed.join(name))?;
    }
    Ok(())
}

/// Prints the story until the demo jobs have ended, or for ever.
async fn tell(
    mut news: Receiver<News>,
    tally: &mut Tally,
    began: UnixMillis,
    until_done: bool,
) -> Result<(), NotStarted> {
    loop {
        match news.recv().await {
            Ok(News::Journal(entry)) => {
                tally.count_entry(&entry);
                if STORY.contains(&entry.kind.as_str()) {
                    say(sentence(&entry, began));
                }
            }
            Ok(News::Job(job)) => tally.count_job(&job),
            Ok(News::Line(_)) => {}
            Err(RecvError::Lagged(missed)) => {
                return Err(NotStarted(format!("the log is {missed} entries behind; try a lower --speed")));
            }
            Err(RecvError::Closed) => return Ok(()),
        }
        if until_done && tally.ended.len() >= JOBS.len() {
            return Ok(());
        }
    }
}

fn sentence(entry: &Entry, began: UnixMillis) -> String {
    let seconds = (entry.at.0 - began.0).max(0) / 1000;
    let mut text = format!("{:>3}:{:02}:{:02}  ", seconds / 3600, seconds / 60 % 60, seconds % 60);
    if let Some(line) = &entry.line {
        // Writing to a string cannot fail.
        let _ = write!(text, "line {line}  ");
    }
    text + &entry.text
}

impl Tally {
    fn count_entry(&mut self, entry: &Entry) {
        let is_advance =
            entry.kind == "step-begin" && entry.data["step"] == "belt" && entry.data["moves"][0]["stretch"] != "back";
        self.advances += u32::from(is_advance);
    }

    fn count_job(&mut self, job: &Job) {
        if job.state.is_terminal() && self.ended.insert(job.id) {
            self.jobs_completed += u32::from(job.state == crate::job::JobState::Completed);
            self.copies_completed += job.completed;
            self.copies_scrapped += job.scrapped;
        }
    }
}

/// The last line: what the books say, beside what truly happened on the simulated belt.
async fn finish(house: House, tally: &Tally) -> Result<ExitCode, NotStarted> {
    let odometer: i64 = house.handle.live().lines.iter().map(|line| line.belt_odometer_um).sum();
    let truths: Vec<_> = house.simulated.iter().map(|(_, machine)| machine.truth()).collect();
    let true_belt: i64 = truths.iter().map(|t| t.belt_um).sum();
    let over: u32 = truths.iter().map(|t| t.prints_over_a_part).sum();
    let simulated_s = truths.iter().map(|t| t.simulated_s).fold(0.0, f64::max);
    house.close().await?;
    say(serde_json::json!({
        "jobs_completed": tally.jobs_completed,
        "copies_completed": tally.copies_completed,
        "copies_scrapped": tally.copies_scrapped,
        "advances": tally.advances,
        "belt_odometer_um": odometer,
        "true_belt_um": true_belt,
        "prints_over_a_part": over,
        "simulated_s": (simulated_s * 10.0).round() / 10.0,
    }));
    let good = tally.jobs_completed as usize == JOBS.len() && over == 0 && odometer == true_belt;
    Ok(if good { ExitCode::SUCCESS } else { ExitCode::from(1) })
}
