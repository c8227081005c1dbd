//! The person at the machine: looks after each start, looks at the belt before answering, and does not lie.

use std::time::Duration;

use serde_json::{Value, json};

use super::Trial;
use super::books::{Word, figure};

/// Whether the line has to ask after the next start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Asks {
    /// Something was under way, or a question was not answered.
    Must,
    /// A question was answered, and it is not known whether the daemon lived to take it in.
    May,
    /// Nothing was under way, and nobody has to know anything.
    MustNot,
}

/// What of the machine stands still while the line asks.
const STANDS: [&str; 7] =
    ["belt_um", "belt_forward_um", "belt_backward_um", "plastic_mm", "prints_begun", "bed_target_c", "nozzle_target_c"];
/// Whatever a dead daemon has left in the machine's buffers is done by then, by the machine's time; and the time after
/// that in which nothing may begin, s.
const LEFTOVERS_S: f64 = 240.0;
const STILL_S: f64 = 120.0;

impl Trial {
    /// Looks at the line after a start: what it must ask it asks, and nothing else.
    pub(super) async fn look(&mut self) -> Option<()> {
        let line = self.until_line("connected", |line| line["connected"] == true).await?;
        let asks = line["state"] == "held" && line["question"].is_object();
        match self.asks {
            Asks::Must => assert!(asks, "it must ask, {:?}: {line:#}", self.books.last.line),
            Asks::MustNot => {
                let runs = line["state"] == "idle" || line["state"] == "execute";
                let for_nothing = line["question"].is_object() && line["work"].is_null();
                assert!(runs && !for_nothing, "it asks for nothing, {:?}: {line:#}", self.books.last.line);
            }
            Asks::May => {}
        }
        self.tally.looks += 1;
        if !asks {
            return Some(());
        }
        self.tally.asked += 1;
        let right = line["reason"] == "restarted" || line["reason"] == "belt-not-known-clear";
        assert!(right && line["work"].is_null() && line["belt_clear"] == false, "{line:#}");
        if self.books.last.open_cycle().is_some() {
            assert_eq!(line["reason"], "restarted", "{line:#}");
        }
        self.jobs_are_right().await?;
        self.machine_stands(&line).await
    }

    /// As programs see the queue: one job for each file, counts that add up, and the one that was cut short has ended.
    async fn jobs_are_right(&mut self) -> Option<()> {
        for order in self.books.orders.all.clone() {
            let of_it: Vec<_> = self.books.last.jobs_of(&order.sha256).map(|job| job.id).collect();
            for id in of_it {
                let job = self.show(&format!("/jobs/{id}")).await?;
                let count = |name: &str| figure(&job, name);
                let all = count("completed") + count("scrapped") + count("in_work") + count("copies_waiting");
                assert_eq!((all, &job["sha256"]), (order.copies, &json!(order.sha256)), "{job:#}");
            }
        }
        let cut = self.books.last.open_cycle().map(|cycle| cycle.job);
        let Some(cut) = cut else { return Some(()) };
        let job = self.show(&format!("/jobs/{cut}")).await?;
        let before = &self.books.last.jobs[&cut];
        let right = before.has_ended() || (job["state"] == "aborted" && job["reason"] == "aborted-by-system");
        assert!(right, "{before:#?} has become {job:#}");
        Some(())
    }

    /// Nothing moves and nothing heats before the answer.
    async fn machine_stands(&mut self, line: &Value) -> Option<()> {
        let off = |truth: &Value| truth["bed_target_c"] == 0.0 && truth["nozzle_target_c"] == 0.0;
        while !off(&self.plant.truth()) {
            self.show("/lines/one").await?;
            self.pause(10).await;
        }
        let quiet = self.machine_after(LEFTOVERS_S).await?;
        match &self.still {
            // Killed before the answer: from one start to the next it stands where it stood.
            Some(before) => stands(before, &quiet),
            None => {
                self.travel_is_right(line, &quiet);
                self.still = Some(quiet);
            }
        }
        let later = self.machine_after(STILL_S).await?;
        assert!(self.still.as_ref().is_some_and(off), "{:#?}", self.still);
        self.stands_still(&later);
        Some(())
    }

    fn stands_still(&self, truth: &Value) {
        if let Some(before) = &self.still {
            stands(before, truth);
        }
    }

    /// What is true after so many seconds of the machine's time; meanwhile the daemon is asked whether it lives.
    async fn machine_after(&mut self, seconds: f64) -> Option<Value> {
        let time = |truth: &Value| truth["simulated_s"].as_f64().expect("a time");
        let until = time(&self.plant.truth()) + seconds;
        loop {
            let truth = self.plant.truth();
            if time(&truth) >= until {
                return Some(truth);
            }
            self.show("/lines/one").await?;
            self.pause(20).await;
        }
    }

    /// Law L6: what the machine made beyond the odometer grows only by what the line says may have happened.
    pub(super) fn travel_is_right(&mut self, line: &Value, truth: &Value) {
        let beyond = figure(truth, "belt_um") - figure(line, "belt_odometer_um");
        let doubt = figure(line, "belt_uncertain_um");
        let (more, most) = (beyond - self.travel.0, doubt - self.travel.1);
        assert!((0..=most).contains(&more), "{more} µm beyond the odometer since the last look: {line:#}, {truth:#}");
        assert!(most == 0 || self.belt_ran, "{most} µm of travel are in doubt although the belt stood: {line:#}");
        (self.travel, self.belt_ran) = ((beyond, doubt), false);
    }

    /// Looks at the belt, takes off what lies there, and says that it is clear.
    pub(super) async fn answer(&mut self, line: &Value) -> Option<()> {
        let hesitates = self.chance.next() % 200;
        self.pause(hesitates).await;
        let truth = self.plant.truth();
        if line["work"].is_null() {
            self.stands_still(&truth);
        }
        self.plant.machine().type_line("take-off");
        let cut_short = self.books.last.open_cycle().filter(|cycle| cycle.is_printed() && self.asks == Asks::Must);
        let cycle = line["work"]["cycle"].as_i64().or_else(|| cut_short.map(|cycle| cycle.id));
        let mut body = json!({ "clear": true });
        if let Some(cycle) = cycle {
            // Asked again, a person says the same again.
            let fresh = Word { good: !self.chance.one_in(4), taken: false };
            let word = self.books.words.entry(cycle).or_insert(fresh);
            body["part"] = json!(if word.good { "good" } else { "scrap" });
        }
        if self.asks == Asks::Must {
            self.asks = Asks::May;
        }
        let (status, answer) = self.post("/lines/one/clear", &body).await?;
        assert_eq!(status, 200, "{answer:#}");
        if let Some(word) = cycle.and_then(|cycle| self.books.words.get_mut(&cycle)) {
            word.taken = true;
        }
        self.asks = Asks::MustNot;
        self.still = None;
        self.tally.questions += 1;
        Some(())
    }

    pub(super) async fn pause(&self, ms: u64) {
        tokio::time::sleep(Duration::from_millis(ms)).await;
    }
}

fn stands(before: &Value, after: &Value) {
    for what in STANDS {
        assert_eq!(before[what], after[what], "{what} changed before anybody answered: {after:#}");
    }
}
