//! An infeed over a real folder and a real database, with a foreman that does nothing but keep its books.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use nosebar::foreman::{Answer, Arrival, Command, Handle, Live, Refused, Request};
use nosebar::gcode::Rules;
use nosebar::infeed::{self, InfeedConfig, Intake, read_name};
use nosebar::job::{Job, JobId, LineName};
use nosebar::store::{Entry, FileStore, Store, Write};
use nosebar::units::UnixMillis;
use tokio::sync::{broadcast, mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// Longer than any machine should need; nothing waits for it unless it fails.
const PATIENCE: Duration = Duration::from_secs(20);
/// A time that no test waits for.
pub(super) const NEVER: Duration = Duration::from_secs(3600);

/// What the foreman has kept.
#[derive(Clone, Debug, Default)]
pub(super) struct Books {
    pub(super) jobs: Vec<Job>,
    pub(super) rejections: Vec<(String, String)>,
}

pub(super) struct Plant {
    pub(super) dir: tempfile::TempDir,
    pub(super) config: InfeedConfig,
    books: watch::Receiver<Books>,
    closing: CancellationToken,
    infeed: JoinHandle<()>,
    foreman: JoinHandle<()>,
}

impl Plant {
    /// Starts over an empty folder.
    pub(super) async fn start(settle: Duration, rescan: Duration) -> Self {
        Self::start_in(tempfile::tempdir().expect("a temporary folder"), settle, rescan).await
    }

    /// Starts over what is there.
    pub(super) async fn start_in(dir: tempfile::TempDir, settle: Duration, rescan: Duration) -> Self {
        let data = dir.path().join("data");
        fs::create_dir_all(&data).expect("made");
        let files = FileStore::open_in(&data).expect("a file store");
        let store = Store::open(&data.join("nosebar.db")).await.expect("a store");
        let jobs: Vec<Job> = store.load().await.expect("loaded").jobs.into_iter().map(Arc::unwrap_or_clone).collect();
        let left = jobs.iter().filter_map(|job| Some((job.id, job.source_key.clone()?))).collect();
        let (publish, books) = watch::channel(Books { jobs, rejections: vec![] });
        let (requests, asked) = mpsc::channel(8);
        let handle = Handle::new(requests, watch::channel(Arc::new(Live::default())).1, broadcast::channel(8).0);
        let foreman = tokio::spawn(keep_books(store, asked, publish));
        let lines = ["east", "west"].map(|name| LineName::new(name).expect("a name")).to_vec();
        let config = InfeedConfig { settle, rescan, ..InfeedConfig::new(&dir.path().join("in"), lines) };
        let closing = CancellationToken::new();
        let intake = Intake::new(files, infeed::surveyors(Rules::default()), handle);
        let infeed = tokio::spawn(infeed::run(config.clone(), intake, left, closing.clone()));
        let plant = Self { dir, config, books, closing, infeed, foreman };
        plant.wait_for_folders().await;
        plant
    }

    /// Until the folders are there; they are watched before anything in them is looked at, and a moment later anyhow.
    async fn wait_for_folders(&self) {
        let last = self.config.rejected.clone();
        until(|| last.is_dir()).await;
        // The watch follows within the same piece of work; a busy machine may need a moment.
        tokio::time::sleep(Duration::from_millis(100)).await;
    }

    pub(super) fn path(&self, name: &str) -> PathBuf {
        self.config.dir.join(name)
    }

    pub(super) fn drop_file(&self, name: &str, content: &str) -> PathBuf {
        fs::write(self.path(name), content).expect("written");
        self.path(name)
    }

    /// Waits until the books are as said.
    pub(super) async fn wait(&mut self, what: &str, is_so: impl Fn(&Books) -> bool) -> Books {
        let so = tokio::time::timeout(PATIENCE, self.books.wait_for(|books| is_so(books))).await;
        let so = so.map(|books| books.expect("the foreman lives").clone());
        so.unwrap_or_else(|_| panic!("{what}: never so; {:#?}", self.books()))
    }

    /// Waits for so many jobs.
    pub(super) async fn wait_jobs(&mut self, count: usize) -> Vec<Job> {
        self.wait("jobs", |books| books.jobs.len() >= count).await.jobs
    }

    /// Waits until every job's source has been told to be gone.
    pub(super) async fn wait_sources_gone(&mut self) -> Vec<Job> {
        self.wait("sources gone", |books| books.jobs.iter().all(|job| job.source_key.is_none())).await.jobs
    }

    /// Waits for so many jobs whose sources have been removed.
    pub(super) async fn wait_taken(&mut self, count: usize) -> Vec<Job> {
        self.wait_jobs(count).await;
        self.wait_sources_gone().await
    }

    pub(super) fn books(&self) -> Books {
        self.books.borrow().clone()
    }

    pub(super) fn content(&self, job: &Job) -> String {
        fs::read_to_string(self.dir.path().join(format!("data/files/{}.gcode", job.sha256))).expect("kept")
    }

    /// Shuts down; what is on the disk remains.
    pub(super) async fn close(self) -> tempfile::TempDir {
        self.closing.cancel();
        tokio::time::timeout(PATIENCE, self.infeed)
            .await
            .expect("the infeed ends when told")
            .expect("it did not panic");
        self.foreman.await.expect("the foreman ends with the last handle");
        self.dir
    }
}

/// Waits until something is so.
pub(super) async fn until(is_so: impl Fn() -> bool) {
    let waiting = async {
        while !is_so() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    };
    tokio::time::timeout(PATIENCE, waiting).await.expect("it becomes so");
}

pub(super) fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).expect("readable");
    let mut names: Vec<_> = entries.map(|e| e.expect("an entry").file_name().into_string().expect("text")).collect();
    names.sort();
    names
}

async fn keep_books(mut store: Store, mut asked: mpsc::Receiver<Request>, publish: watch::Sender<Books>) {
    let mut books = publish.borrow().clone();
    let mut seq = store.load().await.expect("loaded").last_seq;
    while let Some(Request { command, answer, .. }) = asked.recv().await {
        let mut writes = Vec::new();
        let mut note = |kind: &str, text: &str| {
            seq += 1;
            let (at, kind, text) = (UnixMillis(seq), kind.to_owned(), text.to_owned());
            Write::Journal(Arc::new(Entry { seq, at, line: None, job: None, cycle: None, kind, text, data: ().into() }))
        };
        let done: Result<Answer, Refused> = match command {
            Command::Admit(arrival) => Ok(Answer::Job(Box::new(admit(&mut books, *arrival, &mut writes)))),
            Command::NoteRejection { name, reason } => {
                writes.push(note("file-rejected", &reason));
                books.rejections.push((name, reason));
                Ok(Answer::Done)
            }
            Command::NoteDelay { .. } | Command::Greet => Ok(Answer::Done),
            Command::SourceGone(id) => {
                let job = books.jobs.iter_mut().find(|job| job.id == id).expect("a known job");
                job.source_key = None;
                writes.push(Write::Job(Arc::new(job.clone())));
                Ok(Answer::Done)
            }
            other => panic!("the infeed asks for {other:?}"),
        };
        store.commit(&writes).await.expect("kept");
        publish.send_replace(books.clone());
        drop(answer.send(done));
    }
    store.close().await.expect("closed");
}

fn admit(books: &mut Books, arrival: Arrival, writes: &mut Vec<Write>) -> Job {
    let known = books.jobs.iter().find(|job| job.source_key.is_some() && job.source_key == arrival.source_key);
    if let Some(job) = known {
        return job.clone();
    }
    let id = JobId(books.jobs.len() as i64 + 1);
    let sha256 = arrival.survey.file.sha256.clone();
    let name = read_name(&arrival.file_name).expect("a good name").name;
    let job = Job {
        line: arrival.line,
        material: arrival.material.map(Into::into),
        release_c: arrival.release_c,
        source_key: arrival.source_key,
        ..Job::waiting(id, name, sha256, arrival.copies, UnixMillis(0))
    };
    writes.push(Write::File { survey: Box::new(arrival.survey), at: UnixMillis(0) });
    writes.push(Write::Job(Arc::new(job.clone())));
    books.jobs.push(job.clone());
    job
}
