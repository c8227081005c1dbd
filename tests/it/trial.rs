//! The long trial: a simulated line works through hundreds of different copies over a bad cable, on a belt with a splice and
//! flaws, and its books are compared with what truly happened on the belt.

mod house;
mod keep_outs;
mod waits;

use std::collections::BTreeMap;

use nosebar::clock::Clock;
use nosebar::foreman::{LineView, News};
use nosebar::job::{Job, JobState, Phase};
use tokio::sync::broadcast::Receiver;

use house::House;
use keep_outs::KeepOuts;
use waits::Waits;

use super::world::chance::Chance;
use super::world::files::sliced;

/// A cable that loses, repeats and spoils now and then, in numbers that share no factor, so that faults meet in every order.
const BAD_CABLE: &str = "\
    every 61 lines lose-ok\n\
    every 97 lines double-ok\n\
    every 149 lines garble\n\
    every 211 lines lose-line\n\
    every 263 lines lose-byte\n\
    every 331 lines resend\n";
const KINDS: [&str; 6] = ["lose-ok", "double-ok", "garble", "lose-line", "lose-byte", "resend"];

/// What a run showed.
#[derive(Debug, Default)]
struct Shown {
    cycles: u32,
    faults: BTreeMap<&'static str, u64>,
    /// Copies for which the belt had to run on before they were begun.
    placed: u32,
    waits: Waits,
    belt_mm: f64,
    simulated_h: f64,
}

/// One line's run.
struct Run {
    house: House,
    news: Receiver<News>,
    clock: Clock,
    keep_outs: KeepOuts,
    shown: Shown,
    /// What the belt had run at the end of the last cycle, µm, and whether the part of this one has been looked at.
    ended_at_um: i64,
    looked: bool,
}

impl Run {
    /// A line with this belt drive, which is told where splice and flaws are, and so many different copies for it.
    async fn begin(drive: &str, copies: u32, seed: u64) -> Self {
        let clock = Clock::warped(1e9);
        let mut house = House::open(drive, BAD_CABLE, seed, clock.clone()).await;
        let keep_outs = KeepOuts::mark(&house).await;
        let news = house.handle.subscribe();
        let mut chance = Chance::new(seed);
        // The line begins when all are there.
        let still = clock.busy();
        for number in 0..copies {
            house.take(&format!("copy-{number}.gcode"), sliced(&mut chance, None)).await;
        }
        drop(still);
        Self { house, news, clock, keep_outs, shown: Shown::default(), ended_at_um: 0, looked: false }
    }

    /// Works until so many copies are made.
    async fn work(mut self, copies: u32) -> Shown {
        while self.shown.cycles < copies {
            let news = self.news.recv().await.expect("the foreman is there, and told no more than could be read");
            let _still = self.clock.busy();
            match news {
                News::Line(view) => self.see_line(&view),
                News::Job(job) if job.state.is_terminal() => self.see_end(&job),
                News::Job(_) | News::Journal(_) => {}
            }
        }
        let truth = self.house.machine.truth();
        self.shown.faults = self.house.machine.faults_suffered();
        self.shown.simulated_h = truth.simulated_s / 3600.0;
        self.shown.belt_mm = truth.belt_um as f64 / 1000.0;
        self.house.close().await;
        self.shown
    }

    fn see_line(&mut self, view: &LineView) {
        let runs = matches!(view.state.as_str(), "execute" | "idle" | "suspended");
        assert!(runs, "the line stands: {view:#?}\n{:#?}", self.house.machine.recent_commands());
        self.shown.waits.see(view);
        if view.phase == Some(Phase::Cool) {
            self.look_at_part();
        }
    }

    /// Law L7: the part lies where it was laid until the belt runs, and nothing of it on a keep-out. An acknowledgement that
    /// was told twice may have ended the print a few moves early: what counts is the last look before the belt runs.
    fn look_at_part(&mut self) {
        let truth = self.house.machine.truth();
        let [part] = truth.parts_on_belt.as_slice() else { return };
        self.keep_outs.are_clear_of(part.tail_um - truth.belt_um, part.lead_um - truth.belt_um);
        self.shown.placed += u32::from(!self.looked && truth.belt_um != self.ended_at_um);
        self.looked = true;
    }

    fn see_end(&mut self, job: &Job) {
        assert_eq!((job.state, job.completed, job.unchecked), (JobState::Completed, 1, 0), "{job:#?}");
        assert!(self.looked, "the part of {} was never seen cooling", job.name);
        self.looked = false;
        self.shown.cycles += 1;
        self.ended_at_um = self.house.books_are_true(self.shown.cycles);
    }
}

async fn try_drive(drive: &str, copies: u32, seed: u64) {
    let shown = Run::begin(drive, copies, seed).await.work(copies).await;
    println!("{}: {shown:?}", drive.lines().next().unwrap_or_default());
    assert_eq!(shown.cycles, copies);
    let [right, all] = shown.waits.counts();
    assert!(all == copies && right * 100 >= all * 95, "{right} of {all} waits were foreseen within 5 %: {shown:?}");
    assert!(shown.placed > copies / 10, "hardly ever had a keep-out to be avoided: {shown:?}");
    for kind in KINDS {
        assert!(shown.faults.get(kind).is_some_and(|count| *count > 50), "{kind} hardly ever happened: {shown:?}");
    }
}

#[tokio::test]
async fn the_books_stay_true_with_a_belt_on_an_extruder() {
    try_drive("drive = \"extruder\"\nextruder = 1", 67, 1).await;
}

#[tokio::test]
async fn the_books_stay_true_with_a_belt_on_an_axis() {
    try_drive("drive = \"axis\"\naxis = \"A\"\nunits_per_mm = 2.5\ninverted = true", 67, 2).await;
}

#[tokio::test]
async fn the_books_stay_true_with_a_belt_on_own_lines() {
    let lines = r#"["T1", "M83", "M302 S0", "G1 E{mm} F{feed}", "M302 S170", "T0"]"#;
    try_drive(&format!("drive = \"lines\"\nlines = {lines}"), 67, 3).await;
}
