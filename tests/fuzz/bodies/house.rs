//! The routes of the daemon over a store of their own, with a foreman that admits every job.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use axum::Router;
use axum::body::Body;
use axum::http::Request;
use axum::response::Response;
use nosebar::foreman::{Answer, Arrival, Command, Handle, Live, News, Request as Ask};
use nosebar::gcode::Rules;
use nosebar::http::{Desk, router};
use nosebar::infeed::{Intake, surveyors};
use nosebar::job::{Job, JobId};
use nosebar::store::{Entry, FileStore, Store, Write};
use nosebar::units::UnixMillis;
use serde_json::Value;
use tempfile::TempDir;
use tokio::runtime::{Builder, Runtime};
use tokio::sync::{broadcast, mpsc, watch};
use tower::ServiceExt;

/// Longest file that is taken, bytes.
pub const UPLOAD_MAX: usize = 4096;
/// Entries that the journal has from the beginning.
pub const KEPT_ENTRIES: i64 = 3;

type Admitted = Arc<Mutex<Vec<Arrival>>>;

/// A house that is opened once and asked many times.
pub struct House {
    runtime: Runtime,
    dir: TempDir,
    routes: Router,
    admitted: Admitted,
    news: broadcast::Sender<News>,
    _live: watch::Sender<Arc<Live>>,
}

impl House {
    /// A new house in a temporary folder.
    ///
    /// # Panics
    /// If the machine has no room for it.
    #[must_use]
    pub fn open() -> Self {
        let runtime = Builder::new_current_thread().enable_all().build().expect("a runtime");
        let dir = tempfile::tempdir().expect("a temporary folder");
        let admitted = Admitted::default();
        let (live, watching) = watch::channel(Arc::new(Live { lines: Vec::new(), seq: KEPT_ENTRIES }));
        let (news, _) = broadcast::channel(64);
        let (requests, asked) = mpsc::channel(16);
        let handle = Handle::new(requests, watching, news.clone());
        let reader = runtime.block_on(async {
            tokio::spawn(answer(asked, Arc::clone(&admitted)));
            let mut store = Store::open(&dir.path().join("nosebar.db")).await.expect("a new database");
            let entries = (1..=KEPT_ENTRIES).map(|seq| entry(seq, "state", "kept \"before\"", Value::Null));
            store
                .commit(&entries.map(|entry| Write::Journal(Arc::new(entry))).collect::<Vec<_>>())
                .await
                .expect("kept");
            store.reader()
        });
        let files = FileStore::open_in(dir.path()).expect("a file store");
        let intake = Intake::new(files, surveyors(Rules::default()), handle.clone());
        let desk = Desk::new(handle, reader, intake).with_upload_max(UPLOAD_MAX as u64);
        Self { runtime, dir, routes: router(desk), admitted, news, _live: live }
    }

    /// Waits for something that the routes do.
    pub fn block_on<F: Future>(&self, work: F) -> F::Output {
        self.runtime.block_on(work)
    }

    /// Asks the routes.
    ///
    /// # Panics
    /// Never: routes do not fail.
    pub async fn ask(&self, request: Request<Body>) -> Response {
        self.routes.clone().oneshot(request).await.expect("routes do not fail")
    }

    /// Publishes something that has happened.
    pub fn publish(&self, news: News) {
        // Nobody may be listening.
        drop(self.news.send(news));
    }

    /// What the foreman admitted since it was last asked.
    ///
    /// # Panics
    /// If the foreman did.
    #[must_use]
    pub fn take_admitted(&self) -> Vec<Arrival> {
        std::mem::take(&mut *self.admitted.lock().expect("the foreman is well"))
    }

    /// Files in the file store, and files half-way in.
    #[must_use]
    pub fn kept(&self) -> (Vec<PathBuf>, Vec<PathBuf>) {
        let files = self.dir.path().join("files");
        let incoming = files_in(&files.join("incoming"));
        (files_in(&files), incoming)
    }
}

/// An entry of the journal.
#[must_use]
pub fn entry(seq: i64, kind: &str, text: &str, data: Value) -> Entry {
    let (kind, text) = (kind.to_owned(), text.to_owned());
    Entry { seq, at: UnixMillis(0), line: None, job: None, cycle: None, kind, text, data }
}

async fn answer(mut asked: mpsc::Receiver<Ask>, admitted: Admitted) {
    while let Some(ask) = asked.recv().await {
        let answer = match ask.command {
            Command::Admit(arrival) => {
                let (name, sha256) = (arrival.file_name.clone(), arrival.survey.file.sha256.clone());
                let job = Job::waiting(JobId(1), name, sha256, arrival.copies, UnixMillis(0));
                admitted.lock().expect("nobody panicked").push(*arrival);
                Answer::Job(Box::new(job))
            }
            _ => Answer::Done,
        };
        // Whoever asked may have gone.
        drop(ask.answer.send(Ok(answer)));
    }
}

fn files_in(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).expect("the folder is there");
    entries.map(|entry| entry.expect("an entry").path()).filter(|path| path.is_file()).collect()
}
