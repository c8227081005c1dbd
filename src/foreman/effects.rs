//! What must follow from an event, in its order: persist, then tell the printers, then publish.

use std::sync::Arc;

use tokio::sync::oneshot;

use super::command::{Answer, Refused};

use crate::job::{CycleId, Job};
use crate::printer::Order;
use crate::store::{Entry, Write};

/// What was decided about a request.
pub(super) type Decided = Result<Answer, Refused>;

/// Effects of one event.
#[derive(Debug, Default)]
#[must_use]
pub(super) struct Effects {
    /// An emergency stop waits for nothing, not even the journal: it neither heats nor moves.
    pub(super) urgent: Vec<(usize, Order)>,
    /// One transaction.
    pub(super) writes: Vec<Write>,
    /// Orders to drivers, by line.
    pub(super) tells: Vec<(usize, Order)>,
    /// Clear-check programs to be run, by line.
    pub(super) checks: Vec<(usize, CycleId)>,
    /// Jobs that changed.
    pub(super) jobs: Vec<Arc<Job>>,
    /// Journal entries to publish.
    pub(super) entries: Vec<Arc<Entry>>,
    /// Answers to give once everything is kept.
    pub(super) answers: Vec<(oneshot::Sender<Decided>, Decided)>,
}
