//! What becomes of the counts, whoever says what in whatever order, and after a restart.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;

use super::super::house::House;
use super::*;
use crate::foreman::command::JobCommand;

fn judge(cycle: CycleId, part: PartWord) -> JobCommand {
    JobCommand::Judge { cycle, part }
}

fn counts(job: &Job) -> (u32, u32, u32, u32) {
    (job.copies, job.completed, job.scrapped, job.copies_waiting())
}

#[tokio::test]
async fn scrap_of_an_open_job_is_made_again_and_good_takes_it_back() {
    let mut house = House::new().await;
    let id = house.admit(3).await;
    let cycle = house.begin(id).await.expect("a copy");
    let early = house.ask(id, judge(cycle, PartWord::Scrap)).await.expect_err("it is in work");
    assert!(early.text.contains("copy 1 of job 1 is still in work"), "{early}");
    house.end(cycle, Outcome::Completed, Some(CheckedBy::Switch)).await;
    let job = house.ask(id, judge(cycle, PartWord::Scrap)).await.expect("it is finished");
    assert_eq!(counts(&job), (4, 0, 1, 3));
    assert_eq!(house.said[0].text, "a person says that copy 1 of job 1 is scrap; it is made again");
    let again = house.ask(id, judge(cycle, PartWord::Scrap)).await.expect("said before");
    assert_eq!((again, house.said.len()), (job, 0), "the same word changes nothing");
    house.restart().await;
    let job = house.ask(id, judge(cycle, PartWord::Good)).await.expect("it is finished");
    assert_eq!((counts(&job), house.remade_by(cycle).await), ((3, 1, 0, 2), None));
    assert_eq!(house.cycles(id).await[0].checked_by, Some(CheckedBy::Person));
}

#[tokio::test]
async fn scrap_of_an_ended_job_is_made_by_a_new_one_once_and_good_cancels_that() {
    let mut house = House::new().await;
    let id = house.admit(2).await;
    let cycle = house.make_all(id).await;
    house.restart().await;
    let job = house.ask(id, judge(cycle, PartWord::Scrap)).await.expect("it is finished");
    assert_eq!((counts(&job), job.reason), ((2, 1, 1, 0), JobReason::JobCompletedWithErrors));
    let again = house.job(JobId(2)).await;
    assert_eq!((counts(&again), again.restart_of), ((1, 0, 0, 1), Some(id)));
    let refused = house.ask(id, JobCommand::MakeRest).await.expect_err("it is made already");
    assert!(refused.text.contains("made again by another job already"), "{refused}");
    house.restart().await;
    house.ask(id, judge(cycle, PartWord::Scrap)).await.expect("said before");
    assert_eq!(house.jobs().await.len(), 2);
    let job = house.ask(id, judge(cycle, PartWord::Good)).await.expect("it is finished");
    assert_eq!(job.reason, JobReason::JobCompletedSuccessfully);
    let again = house.job(JobId(2)).await;
    assert_eq!((again.state, &*again.note), (JobState::Canceled, "copy 2 of job 1 is good after all"));
    for what in [JobCommand::Restore, JobCommand::MakeRest] {
        let refused = house.ask(JobId(2), what).await.expect_err("nothing is to be made");
        assert!(refused.text.contains("is not to be made any more: copy 2 of job 1 is good"), "{refused}");
    }
    house.ask(id, judge(cycle, PartWord::Scrap)).await.expect("a person may think twice");
    assert_eq!(house.remade_by(cycle).await, Some(JobId(3)));
}

#[tokio::test]
async fn a_replacement_that_is_begun_stays_and_the_journal_says_so() {
    let mut house = House::new().await;
    let id = house.admit(1).await;
    let cycle = house.make_all(id).await;
    house.ask(id, judge(cycle, PartWord::Scrap)).await.expect("it is finished");
    house.begin(JobId(2)).await.expect("a copy");
    house.ask(id, judge(cycle, PartWord::Good)).await.expect("it is finished");
    assert!(house.said[0].text.ends_with("begun or given on by job 2, and stays"), "{}", house.said[0].text);
    assert_eq!(house.job(JobId(2)).await.in_work, 1);
    house.ask(id, judge(cycle, PartWord::Scrap)).await.expect("it is finished");
    assert_eq!(house.jobs().await.len(), 2, "one replacement is enough");
}

#[tokio::test]
async fn the_rest_of_a_canceled_job_is_made_without_what_is_made_again_already() {
    let mut house = House::new().await;
    let id = house.admit(5).await;
    let cycle = house.begin(id).await.expect("a copy");
    house.end(cycle, Outcome::Completed, None).await;
    house.ask(id, JobCommand::Cancel).await.expect("it is open");
    house.ask(id, judge(cycle, PartWord::Scrap)).await.expect("it is finished");
    let rest = house.ask(id, JobCommand::MakeRest).await.expect("four are left");
    assert_eq!((rest.copies, rest.restart_of), (4, Some(id)));
    let refused = house.ask(id, JobCommand::Restore).await.expect_err("the rest is made by another");
    assert!(refused.text.starts_with("job 3 makes the rest of job 1"), "{refused}");
    house.ask(id, JobCommand::MakeRest).await.expect_err("only once");
}

#[tokio::test]
async fn a_persons_word_checks_a_copy_that_nothing_checked() {
    let mut house = House::new().await;
    let id = house.admit(1).await;
    let cycle = house.begin(id).await.expect("a copy");
    house.end(cycle, Outcome::Completed, Some(CheckedBy::Nothing)).await;
    assert_eq!(house.job(id).await.reason, JobReason::JobCompletedWithWarnings);
    let job = house.ask(id, judge(cycle, PartWord::Good)).await.expect("it is finished");
    assert_eq!((job.unchecked, job.reason), (0, JobReason::JobCompletedSuccessfully));
    let totals = house.store.reader().line_totals().await.expect("readable");
    assert_eq!((totals[0].completed, totals[0].unchecked), (1, 0));
}

#[tokio::test]
async fn what_was_not_printed_or_is_another_jobs_is_not_judged() {
    let mut house = House::new().await;
    let (id, other) = (house.admit(1).await, house.admit(1).await);
    let cycle = house.begin(id).await.expect("a copy");
    house.end(cycle, Outcome::Returned, None).await;
    let refused = house.ask(id, judge(cycle, PartWord::Good)).await.expect_err("nothing was printed");
    assert!(refused.text.starts_with("nothing was printed of copy 1"), "{refused}");
    let refused = house.ask(other, judge(cycle, PartWord::Good)).await.expect_err("it is another's");
    assert_eq!(refused.code, RefusedCode::NotFound);
}

#[tokio::test]
async fn a_canceled_job_comes_back_to_its_place_as_it_was_after_a_restart_too() {
    for held in [false, true] {
        let mut house = House::new().await;
        let ids = [house.admit(1).await, house.admit(2).await, house.admit(1).await];
        if held {
            house.ask(ids[1], JobCommand::Hold).await.expect("it is open");
        }
        let before = house.job(ids[1]).await;
        house.ask(ids[1], JobCommand::Cancel).await.expect("it is open");
        house.ask(ids[2], JobCommand::MoveUp).await.expect("it is open");
        house.restart().await;
        let after = house.ask(ids[1], JobCommand::Restore).await.expect("it was canceled");
        let expected = Job { version: after.version, ..before };
        assert_eq!(after, expected);
        let order: Vec<_> = house.books.queue().iter().map(|job| job.id).collect();
        assert_eq!(order, [ids[2], ids[1], ids[0]], "the others have changed places around it");
        let refused = house.ask(ids[1], JobCommand::Restore).await.expect_err("it is not canceled any more");
        assert!(refused.text.contains("only a job that a person canceled"), "{refused}");
    }
}

#[tokio::test]
async fn a_cancel_is_taken_back_while_the_last_copy_still_runs() {
    let mut house = House::new().await;
    let id = house.admit(2).await;
    let cycle = house.begin(id).await.expect("a copy");
    house.ask(id, JobCommand::Cancel).await.expect("it is open");
    let job = house.ask(id, JobCommand::Restore).await.expect("it was canceled");
    assert_eq!((job.state, job.reason), (JobState::Processing, JobReason::JobPrinting));
    house.end(cycle, Outcome::Completed, Some(CheckedBy::Switch)).await;
    assert_eq!(house.job(id).await.state, JobState::Pending);
    house.make_all(id).await;
    let refused = house.ask(id, JobCommand::Restore).await.expect_err("it is complete");
    assert!(refused.text.contains("job 1 is completed"), "{refused}");
}

#[derive(Clone, Debug)]
enum Act {
    Admit(u32),
    Ask(usize, usize),
    Judge(usize, bool),
    Begin(usize),
    End(u8),
    Restart,
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        1 => (1_u32..6).prop_map(Act::Admit),
        2 => (0_usize..8, 0_usize..8).prop_map(|(job, what)| Act::Ask(job, what)),
        5 => (0_usize..4, any::<bool>()).prop_map(|(cycle, good)| Act::Judge(cycle, good)),
        4 => (0_usize..8).prop_map(Act::Begin),
        4 => (0_u8..5).prop_map(Act::End),
        1 => Just(Act::Restart),
    ]
}

/// What was asked of each job when it came in, beside the house.
struct Watched {
    house: House,
    asked: BTreeMap<JobId, u32>,
    in_work: Vec<CycleId>,
    /// The last cycle that there was.
    last: Option<CycleId>,
}

impl Watched {
    async fn act(&mut self, act: Act) {
        let ids: Vec<JobId> = self.asked.keys().copied().collect();
        let pick = |n: usize| ids[n % ids.len()];
        match act {
            Act::Admit(copies) => drop(self.house.admit(copies).await),
            Act::Ask(job, what) => {
                let what = [
                    JobCommand::Hold,
                    JobCommand::Release,
                    JobCommand::Cancel,
                    JobCommand::Restore,
                    JobCommand::MakeRest,
                    JobCommand::MoveUp,
                    JobCommand::MoveBefore(None),
                    JobCommand::MoveBefore(Some(pick(job + 1))),
                ][what]
                    .clone();
                drop(self.house.ask(pick(job), what).await);
            }
            Act::Judge(cycle, good) => {
                let part = if good { PartWord::Good } else { PartWord::Scrap };
                let Some(last) = self.last else { return };
                let id = CycleId(i64::try_from(cycle).expect("small") % last.0 + 1);
                for job in ids {
                    if self.house.cycles(job).await.iter().any(|cycle| cycle.id == id) {
                        drop(self.house.ask(job, judge(id, part)).await);
                    }
                }
            }
            Act::Begin(job) => {
                let begun = self.house.begin(pick(job)).await;
                self.in_work.extend(begun);
                self.last = begun.or(self.last);
            }
            Act::End(how) => {
                if let Some(cycle) = self.in_work.pop() {
                    let (outcome, by) = match how {
                        0 => (Outcome::Scrapped, None),
                        1 => (Outcome::Returned, None),
                        2 => (Outcome::Completed, Some(CheckedBy::Nothing)),
                        _ => (Outcome::Completed, Some(CheckedBy::Switch)),
                    };
                    self.house.end(cycle, outcome, by).await;
                }
            }
            Act::Restart => {
                self.in_work.clear();
                self.house.restart().await;
            }
        }
    }

    async fn check(&mut self) -> Result<(), TestCaseError> {
        let jobs = self.house.jobs().await;
        let mut ranks = BTreeSet::new();
        for job in &jobs {
            let asked = *self.asked.entry(job.id).or_insert(job.copies);
            let cycles = self.house.cycles(job.id).await;
            let of = |outcome| u32::try_from(cycles.iter().filter(|c| c.outcome == outcome).count()).expect("few");
            prop_assert_eq!(job.completed, of(Some(Outcome::Completed)), "{:?}", job);
            prop_assert_eq!(job.scrapped, of(Some(Outcome::Scrapped)), "{:?}", job);
            prop_assert_eq!(job.in_work, of(None), "{:?}", job);
            let unchecked = cycles.iter().filter(|c| c.checked_by == Some(CheckedBy::Nothing)).count();
            prop_assert_eq!(job.unchecked as usize, unchecked, "{:?}", job);
            prop_assert_eq!(
                job.copies,
                job.completed + job.scrapped + job.in_work + job.copies_waiting(),
                "L8 {:?}",
                job
            );
            let mut own = 0;
            for cycle in &cycles {
                let by = self.house.remade_by(cycle.id).await;
                own += u32::from(by == Some(job.id));
                let scrap_by_word =
                    cycle.outcome == Some(Outcome::Scrapped) && cycle.checked_by == Some(CheckedBy::Person);
                prop_assert!(by.is_some() || !scrap_by_word, "nobody makes {:?} again", cycle);
            }
            prop_assert_eq!(job.copies, asked + own, "{:?}", job);
            prop_assert!(job.state.is_terminal() || ranks.insert(job.rank), "two jobs have the rank of {:?}", job);
            let open = !job.state.is_terminal();
            prop_assert!(!open || job.in_work + job.copies_waiting() > 0, "open without copies: {:?}", job);
        }
        Ok(())
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn copies_asked_are_those_made_scrapped_waiting_and_in_work_whatever_is_done(
        acts in prop::collection::vec(act(), 1..80),
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let house = House::new().await;
            let mut watched = Watched { house, asked: BTreeMap::new(), in_work: Vec::new(), last: None };
            watched.act(Act::Admit(5)).await;
            watched.check().await?;
            for act in acts {
                watched.act(act).await;
                watched.check().await?;
            }
            Ok::<(), TestCaseError>(())
        })?;
    }
}
