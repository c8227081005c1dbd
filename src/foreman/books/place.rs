//! Where a job stands in the queue. Ranks leave room between them, so that a move changes one job and not all behind it.

use std::sync::Arc;

use super::Books;
use crate::foreman::command::Refused;
use crate::foreman::refusal::conflict;
use crate::job::JobId;

/// Between two jobs that come in one after the other: sixteen moves to the same place before others must make room.
const STEP: i64 = 1 << 16;
/// Jobs that make room get at least this much between them: so soon it is not their turn again.
const ROOM: i64 = 1 << 8;
/// So many to either side make room at first.
const NEIGHBOURS: usize = 8;

impl Books {
    /// The rank of a new job: behind every other, also behind one that was canceled and may come back.
    pub(super) fn rank_of_new(&self, id: JobId) -> i64 {
        let last = self.jobs.values().filter(|job| !job.state.is_terminal()).map(|job| job.rank).max();
        last.map_or(i64::MIN, |last| last.saturating_add(STEP)).max(id.0.saturating_mul(STEP))
    }

    /// Changes places with the job before it (−1) or behind it (1).
    pub(super) fn swap(&mut self, id: JobId, by: isize) {
        let order = self.order();
        let Some(at) = order.iter().position(|&(other, _)| other == id) else { return };
        let Some(&(other, rank)) = at.checked_add_signed(by).and_then(|to| order.get(to)) else { return };
        self.change(other, |job| job.rank = order[at].1);
        self.change(id, |job| job.rank = rank);
    }

    /// Puts an open job before another one, or behind all.
    pub(super) fn stand_before(&mut self, id: JobId, before: Option<JobId>) -> Result<(), Refused> {
        let mut order = self.order();
        let now = order.iter().position(|&(other, _)| other == id);
        if let Some(now) = now {
            order.remove(now);
        }
        let at = match before {
            Some(before) if before == id => return Ok(()),
            Some(before) => order.iter().position(|&(other, _)| other == before).ok_or_else(|| {
                conflict(format!("job {before} is not in the queue; look again before which one job {id} is to stand"))
            })?,
            None => order.len(),
        };
        if now != Some(at) {
            self.put_at(id, at, order);
        }
        Ok(())
    }

    /// A job that comes back stands where it stood; before the one that has taken its very rank meanwhile.
    pub(super) fn return_to_place(&mut self, id: JobId) {
        let Some(rank) = self.jobs.get(&id).map(|job| job.rank) else { return };
        let order: Vec<_> = self.order().into_iter().filter(|&(other, _)| other != id).collect();
        if let Some(at) = order.iter().position(|&(_, taken)| taken == rank) {
            self.put_at(id, at, order);
        }
    }

    fn order(&self) -> Vec<(JobId, i64)> {
        self.queue().iter().map(|job| (job.id, job.rank)).collect()
    }

    /// `order` is the queue without the job.
    fn put_at(&mut self, id: JobId, at: usize, mut order: Vec<(JobId, i64)>) {
        if let Some(rank) = free_rank(&order, at) {
            return self.change(id, |job| job.rank = rank);
        }
        order.insert(at, (id, 0));
        for (other, rank) in spread(&order, at) {
            if other == id {
                self.change(id, |job| job.rank = rank);
            } else if let Some(job) = self.jobs.get_mut(&other).filter(|job| job.rank != rank) {
                // Its place is the same, and whoever changes it now has seen it as it is: the version stays.
                Arc::make_mut(job).rank = rank;
                self.changed_jobs.insert(other);
            }
        }
    }
}

/// A rank that nobody has, for a place before the `at`th.
fn free_rank(order: &[(JobId, i64)], at: usize) -> Option<i64> {
    let before = at.checked_sub(1).map(|before| order[before].1);
    match (before, order.get(at).map(|&(_, rank)| rank)) {
        (None, None) => Some(STEP),
        (None, Some(next)) => next.checked_sub(STEP),
        (Some(last), None) => last.checked_add(STEP),
        (Some(last), Some(next)) => {
            let between = last.midpoint(next);
            (last < between && between < next).then_some(between)
        }
    }
}

/// New ranks for as few neighbours of the `at`th as gives all of them room.
fn spread(order: &[(JobId, i64)], at: usize) -> Vec<(JobId, i64)> {
    let mut reach = NEIGHBOURS;
    loop {
        let (from, to) = (at.saturating_sub(reach), (at + reach + 1).min(order.len()));
        reach *= 2;
        let count = i64::try_from(to - from).unwrap_or(i64::MAX);
        let floor = from.checked_sub(1).map(|before| order[before].1);
        let (first, step) = match (floor, order.get(to).map(|&(_, rank)| rank)) {
            (Some(floor), Some(ceiling)) => {
                let step = ceiling.saturating_sub(floor) / (count + 1);
                if step < ROOM {
                    continue;
                }
                (floor + step, step)
            }
            (Some(floor), None) => (floor + STEP, STEP),
            (None, Some(ceiling)) => (ceiling - STEP * count, STEP),
            (None, None) => (STEP, STEP),
        };
        let ranks = (0..).map(|n| first + n * step);
        return order[from..to].iter().zip(ranks).map(|(&(id, _), rank)| (id, rank)).collect();
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::job::Job;
    use crate::units::UnixMillis;

    /// A queue as a version left it that gave ranks one by one.
    fn books_of(count: i64) -> Books {
        let mut books = Books::default();
        for n in 1..=count {
            let job = Job { rank: n, ..Job::waiting(JobId(n), format!("clip {n}"), "0".repeat(64), 1, UnixMillis(0)) };
            books.jobs.insert(job.id, Arc::new(job));
        }
        books
    }

    fn ids(books: &Books) -> Vec<i64> {
        books.queue().iter().map(|job| job.id.0).collect()
    }

    proptest! {
        #[test]
        fn a_job_stands_where_it_was_put_and_no_two_have_one_rank(
            moves in prop::collection::vec((1_i64..=30, prop::option::of(1_i64..=30)), 1..300),
        ) {
            let mut books = books_of(30);
            let mut model = ids(&books);
            for (id, before) in moves {
                books.stand_before(JobId(id), before.map(JobId)).expect("both are in the queue");
                if before != Some(id) {
                    model.retain(|&other| other != id);
                    let at = before.map_or(model.len(), |b| model.iter().position(|&o| o == b).expect("there"));
                    model.insert(at, id);
                }
                prop_assert_eq!(ids(&books), model.clone());
                let ranks: std::collections::BTreeSet<i64> = books.queue().iter().map(|job| job.rank).collect();
                prop_assert_eq!(ranks.len(), 30);
            }
        }
    }

    #[test]
    fn of_ten_thousand_jobs_few_are_renumbered_for_many_moves_to_one_place() {
        let mut books = books_of(10_000);
        let mut most = 0;
        let mut all = 0;
        for n in 0..1000 {
            books.changed_jobs.clear();
            books.stand_before(JobId(9_000 - n), Some(JobId(5_000))).expect("both are in the queue");
            // The first one finds no room anywhere, since the ranks have none.
            if n > 0 {
                most = most.max(books.changed_jobs.len());
                all += books.changed_jobs.len();
            }
        }
        assert_eq!(ids(&books)[4_999 + 1_000 - 1], 8_001, "the last one put there stands next before it");
        assert!(most <= 300 && all < 10_000, "{most} at once, {all} in all");
        let unmoved = |job: &&Arc<Job>| job.id.0 <= 8_000 || job.id.0 > 9_000;
        assert!(books.jobs.values().filter(unmoved).all(|job| job.version == 1), "nobody changed those");
    }

    #[test]
    fn a_job_that_is_not_in_the_queue_is_no_place() {
        let mut books = books_of(3);
        let refused = books.stand_before(JobId(1), Some(JobId(7))).expect_err("there is no such job");
        assert!(refused.text.contains("job 7 is not in the queue"), "{refused}");
        assert_eq!(ids(&books), [1, 2, 3]);
        assert!(books.changed_jobs.is_empty());
    }
}
