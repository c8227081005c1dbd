//! The foreman's front desk: what the other rooms hold of it.

use std::sync::Arc;

use tokio::sync::{broadcast, mpsc, oneshot, watch};

use super::command::{Answer, Command, Refused, RefusedCode};
use super::curve::{Curves, TemperatureCurve};
use super::foretold::ForecastView;
use super::keys::Keyring;
use super::once::Once;
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
    /// The key that it bears: what was done with it is not done again.
    pub once: Option<Once>,
    /// Where the answer goes.
    pub answer: oneshot::Sender<Result<Answer, Refused>>,
}

/// A handle on the foreman; clones share it.
#[derive(Clone, Debug)]
pub struct Handle {
    requests: mpsc::Sender<Request>,
    live: watch::Receiver<Arc<Live>>,
    forecast: watch::Receiver<Arc<ForecastView>>,
    keys: watch::Receiver<Arc<Keyring>>,
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
        let (forecast, keys) = (watch::channel(Arc::default()).1, watch::channel(Arc::default()).1);
        let curves = watch::channel(Arc::default()).1;
        Self { requests, live, forecast, keys, curves, news }
    }

    /// Joins the channel of the forecast too; without it, there is none.
    #[must_use]
    pub fn with_forecast(self, forecast: watch::Receiver<Arc<ForecastView>>) -> Self {
        Self { forecast, ..self }
    }

    /// Joins the channel of the keys too; without it, there are none.
    #[must_use]
    pub fn with_keys(self, keys: watch::Receiver<Arc<Keyring>>) -> Self {
        Self { keys, ..self }
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
        self.ask_once(command, None).await
    }

    /// Asks for something that is done once, however often it is asked for with the same key.
    ///
    /// # Errors
    /// As [`Self::ask`]; [`RefusedCode::KeyUsed`] if something else was done with the key.
    pub async fn ask_once(&self, command: Command, once: Option<Once>) -> Result<Answer, Refused> {
        let (answer, answered) = oneshot::channel();
        self.requests.try_send(Request { command, once, answer }).map_err(|_| busy())?;
        answered.await.map_err(|_| busy())?
    }

    /// Refuses where the foreman has gone home: then nothing can be done here.
    ///
    /// # Errors
    /// [`RefusedCode::Busy`].
    pub fn check_open(&self) -> Result<(), Refused> {
        if self.requests.is_closed() { Err(busy()) } else { Ok(()) }
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

    /// The keys as they are now.
    #[must_use]
    pub fn keys(&self) -> Arc<Keyring> {
        Arc::clone(&self.keys.borrow())
    }

    /// A receiver that is woken when a key is made, changed or revoked.
    #[must_use]
    pub fn watch_keys(&self) -> watch::Receiver<Arc<Keyring>> {
        self.keys.clone()
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

fn busy() -> Refused {
    let text = "the foreman has too much to do or is shutting down; try again in a moment".to_owned();
    Refused { code: RefusedCode::Busy, text }
}
