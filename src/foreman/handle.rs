//! The foreman's front desk: what the other rooms hold of it.

use std::sync::Arc;

use tokio::sync::{broadcast, mpsc, oneshot, watch};

use super::command::{Answer, Command, Refused, RefusedCode};
use super::curve::{Curves, TemperatureCurve};
use super::foretold::ForecastView;
use super::view::{LineView, Live};
use crate::job::{Job, LineName};
use crate::store::Entry;

/// Something that has just happened; it is in the store already.
#[derive(Clone, Debug)]
pub enum News {
    /// A new entry of the journal.
    Journal(Arc<Entry>),
    /// A line looks different.
    Line(Arc<LineView>),
    /// A job has changed.
    Job(Arc<Job>),
}

/// A command on its way, with the place for its answer.
#[derive(Debug)]
pub struct Request {
    /// What is asked.
    pub command: Command,
    /// Where the answer goes.
    pub answer: oneshot::Sender<Result<Answer, Refused>>,
}

/// A handle on the foreman; clones share it.
#[derive(Clone, Debug)]
pub struct Handle {
    requests: mpsc::Sender<Request>,
    live: watch::Receiver<Arc<Live>>,
    forecast: watch::Receiver<Arc<ForecastView>>,
    curves: watch::Receiver<Curves>,
    news: broadcast::Sender<News>,
}

impl Handle {
    /// Joins the ends of the foreman's channels.
    #[must_use]
    pub fn new(
        requests: mpsc::Sender<Request>,
        live: watch::Receiver<Arc<Live>>,
        news: broadcast::Sender<News>,
    ) -> Self {
        let (forecast, curves) = (watch::channel(Arc::default()).1, watch::channel(Arc::default()).1);
        Self { requests, live, forecast, curves, news }
    }

    /// Joins the channel of the forecast too; without it, there is none.
    #[must_use]
    pub fn with_forecast(self, forecast: watch::Receiver<Arc<ForecastView>>) -> Self {
        Self { forecast, ..self }
    }

    /// Joins the channel of the temperatures too; without it, there are none.
    #[must_use]
    pub fn with_curves(self, curves: watch::Receiver<Arc<Vec<Arc<TemperatureCurve>>>>) -> Self {
        Self { curves, ..self }
    }

    /// Asks the foreman and waits for its answer.
    ///
    /// # Errors
    /// What the foreman refuses; [`RefusedCode::Busy`] when its desk is full or it has gone home.
    pub async fn ask(&self, command: Command) -> Result<Answer, Refused> {
        let busy = || Refused {
            code: RefusedCode::Busy,
            text: "the foreman has too much to do or is shutting down; try again in a moment".to_owned(),
        };
        let (answer, answered) = oneshot::channel();
        self.requests.try_send(Request { command, answer }).map_err(|_| busy())?;
        answered.await.map_err(|_| busy())?
    }

    /// The lines as they are now.
    #[must_use]
    pub fn live(&self) -> Arc<Live> {
        Arc::clone(&self.live.borrow())
    }

    /// What is to come, as it was last worked out: seconds ago while a line is at work.
    #[must_use]
    pub fn forecast(&self) -> Arc<ForecastView> {
        Arc::clone(&self.forecast.borrow())
    }

    /// The temperatures of a line, as they were about a second ago.
    #[must_use]
    pub fn temperatures(&self, line: &LineName) -> Option<Arc<TemperatureCurve>> {
        self.curves.borrow().iter().find(|curve| curve.line == *line).cloned()
    }

    /// A receiver that is woken when the forecast looks different to a person.
    #[must_use]
    pub fn watch_forecast(&self) -> watch::Receiver<Arc<ForecastView>> {
        self.forecast.clone()
    }

    /// A receiver that sees every change of the lines.
    #[must_use]
    pub fn watch(&self) -> watch::Receiver<Arc<Live>> {
        self.live.clone()
    }

    /// Everything that happens from now on. A slow reader is told how much it missed.
    #[must_use]
    pub fn subscribe(&self) -> broadcast::Receiver<News> {
        self.news.subscribe()
    }
}
