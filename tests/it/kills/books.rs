//! What the counts must be: each snapshot is held against the one before, against what was said, and against what the machine
//! truly did.

use std::collections::BTreeMap;

use serde_json::Value;

use super::found::{Cycle, Found};
use super::orders::Orders;

/// What a person said of a copy.
#[derive(Clone, Copy, Debug)]
pub(super) struct Word {
    pub(super) good: bool,
    /// Whether the daemon has answered that it took the word.
    pub(super) taken: bool,
}

/// What is remembered of everything that was seen and said.
pub(super) struct Books {
    pub(super) orders: Orders,
    /// By cycle.
    pub(super) words: BTreeMap<i64, Word>,
    /// Jobs that the daemon said make the rest of others.
    pub(super) rests: BTreeMap<i64, i64>,
    pub(super) last: Found,
    /// Parts that prints which were cut short laid.
    cut_parts: i64,
}

pub(super) fn figure(truth: &Value, name: &str) -> i64 {
    truth[name].as_i64().unwrap_or_else(|| panic!("no {name} in {truth:#}"))
}

impl Books {
    pub(super) fn new() -> Self {
        let (words, rests) = (BTreeMap::new(), BTreeMap::new());
        Self { orders: Orders::new(), words, rests, last: Found::default(), cut_parts: 0 }
    }

    /// Takes in a snapshot, and what is true of the machine after it was taken.
    pub(super) fn take(&mut self, found: Found, truth: &Value) {
        self.orders.are_kept(&found);
        self.jobs_add_up(&found);
        self.cycles_go_on(&found);
        self.words_are_kept(&found);
        self.parts_are_counted(&found, truth);
        for fault in ["prints_over_a_part", "belt_moved_hot", "belt_moved_while_head_low"] {
            assert_eq!(figure(truth, fault), 0, "{fault}: {truth:#}");
        }
        self.last = found;
    }

    fn jobs_add_up(&self, found: &Found) {
        for job in found.jobs.values() {
            let count = |outcome: Option<&str>| {
                let of_it = found.cycles.values().filter(|cycle| cycle.job == job.id);
                of_it.filter(|cycle| cycle.outcome.as_deref() == outcome).count() as i64
            };
            let counts = (job.completed, job.scrapped, job.in_work);
            assert_eq!(counts, (count(Some("completed")), count(Some("scrapped")), count(None)), "{job:#?}");
            let begun = job.completed + job.scrapped + job.in_work;
            assert!(begun <= job.copies, "{job:#?}");
            assert!(job.state != "completed" || begun == job.copies && job.in_work == 0, "{job:#?}");
            if let Some(before) = self.last.jobs.get(&job.id) {
                let grown = job.completed >= before.completed && job.scrapped >= before.scrapped;
                assert!(grown, "counts went back from {before:#?} to {job:#?}");
                assert!(!before.has_ended() || job.state == before.state, "{before:#?} has become {job:#?}");
                assert_eq!((job.copies, job.restart_of), (before.copies, before.restart_of));
            }
            if let Some(parent) = job.restart_of {
                let parent = &found.jobs[&parent];
                assert!(parent.has_ended() && parent.sha256 == job.sha256, "{job:#?} makes the rest of {parent:#?}");
                assert_eq!(job.copies, parent.copies - parent.completed, "the rest of {parent:#?} is {job:#?}");
                let rests = found.jobs.values().filter(|other| other.restart_of == job.restart_of);
                assert_eq!(rests.count(), 1, "the rest of {parent:#?} is made twice");
            }
        }
        for id in self.last.jobs.keys() {
            assert!(found.jobs.contains_key(id), "job {id} was lost");
        }
        for (rest, of) in &self.rests {
            let kept = found.jobs.get(rest).and_then(|job| job.restart_of);
            assert_eq!(kept, Some(*of), "job {rest} was to make the rest of job {of}");
        }
    }

    /// An ended copy stays as it ended; one that a kill cut short goes no further than a restart lets it.
    fn cycles_go_on(&self, found: &Found) {
        for before in self.last.cycles.values() {
            let now = found.cycles.get(&before.id).unwrap_or_else(|| panic!("{before:#?} was lost"));
            if before.outcome.is_some() {
                assert_eq!(now, before, "a copy that had ended");
                continue;
            }
            assert_eq!((&now.phase, now.job), (&before.phase, before.job), "a copy that was cut short went on");
            let right = match (now.outcome.as_deref(), before.phase.as_str()) {
                // Nobody has begun the daemon for long enough, or nobody has answered.
                (None, _) => true,
                (Some("returned"), "warm") | (Some("scrapped"), "print") => now.checked_by.is_none(),
                (Some("completed" | "scrapped"), "cool" | "advance" | "check") => {
                    now.checked_by.as_deref() == Some("person")
                }
                _ => false,
            };
            assert!(right, "a copy that was cut short: {now:#?}");
        }
    }

    fn words_are_kept(&self, found: &Found) {
        for cycle in found.cycles.values() {
            let said = self.words.get(&cycle.id);
            if cycle.checked_by.as_deref() == Some("person") {
                let outcome = said.map(|word| if word.good { "completed" } else { "scrapped" });
                assert_eq!(cycle.outcome.as_deref(), outcome, "{cycle:#?}, and a person said {said:?}");
            }
            let taken = said.is_some_and(|word| word.taken);
            assert!(!taken || cycle.checked_by.as_deref() == Some("person"), "the word on {cycle:#?} was lost");
            let right = match cycle.outcome.as_deref() {
                Some("completed") => cycle.checked_by.is_some() && cycle.is_printed(),
                Some("scrapped") => cycle.checked_by.is_some() == cycle.is_printed(),
                _ => cycle.checked_by.is_none(),
            };
            assert!(right, "{cycle:#?}");
        }
    }

    /// Each copy whose print was ended is one part of the machine; one that was cut short in its print is one at most.
    fn parts_are_counted(&mut self, found: &Found, truth: &Value) {
        let count =
            |found: &Found, which: fn(&Cycle) -> bool| found.cycles.values().filter(|c| which(c)).count() as i64;
        let is_cut = |cycle: &Cycle| cycle.phase == "print";
        let printed = count(found, Cycle::is_printed);
        let cut = count(found, is_cut);
        let parts = figure(truth, "prints_begun") - printed;
        assert!((0..=cut).contains(&parts), "{printed} copies printed and {cut} cut short, {truth:#}");
        // A print that was under way at the last kill may have begun to lay after that.
        let late = i64::from(self.last.open_cycle().is_some_and(is_cut));
        let fresh = cut - count(&self.last, is_cut) + late;
        let (before, most) = (self.cut_parts, self.cut_parts + fresh);
        assert!((before..=most).contains(&parts), "{parts} parts of cut prints, not {before} to {most}: {truth:#}");
        self.cut_parts = parts;
        let (fallen, taken) = (figure(truth, "parts_fallen"), figure(truth, "parts_taken_off"));
        let by = |who: &str| {
            let good = found.cycles.values().filter(|cycle| cycle.outcome.as_deref() == Some("completed"));
            good.filter(|cycle| cycle.checked_by.as_deref() == Some(who)).count() as i64
        };
        assert!(by("switch") <= fallen, "the switch saw {} parts go, {truth:#}", by("switch"));
        let said = self.words.values().filter(|word| word.good).count() as i64;
        assert!(by("person") <= said, "a person called {said} parts good, not {}", by("person"));
        assert!(by("person") + by("switch") <= fallen + taken, "{truth:#}");
    }
}
