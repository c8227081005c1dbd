//! A foreman that keeps jobs over restarts, and a survey that only counts and hashes, for the tests of this room.

use std::collections::VecDeque;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};

use tokio::sync::{broadcast, mpsc, watch};
use tokio_util::bytes::Bytes;

use super::config::InfeedConfig;
use super::dealing::Dealer;
use super::intake::Intake;
use super::pour::{Inspect, Inspectors};
use super::source::{Look, look};
use super::taking::{Source, Taker};
use crate::foreman::{Answer, Arrival, Command, Handle, Live, Refused, RefusedCode};
use crate::job::{FileFacts, Finding, Job, JobId, LineName, Survey, Temperatures};
use crate::store::FileStore;
use crate::units::UnixMillis;

/// What the foreman has on its desk; it survives the foreman.
#[derive(Debug, Default)]
pub(super) struct Desk {
    pub(super) jobs: Vec<Job>,
    pub(super) rejections: Vec<(String, String)>,
    /// Given as answers, instead of doing what is asked, one after the other.
    pub(super) refusals: VecDeque<RefusedCode>,
    /// Admissions that are done but never answered, as in a crash.
    pub(super) silent: u32,
}

/// A data folder and an infeed folder, with the foreman's desk: everything that a crash leaves.
pub(super) struct House {
    pub(super) dir: tempfile::TempDir,
    pub(super) desk: Arc<Mutex<Desk>>,
    pub(super) inspectors: Inspectors,
}

impl House {
    pub(super) fn new() -> Self {
        let dir = tempfile::tempdir().expect("a temporary folder");
        fs::create_dir_all(dir.path().join("in/east")).expect("made");
        let inspectors: Inspectors = Arc::new(|| Box::<CountingSurvey>::default());
        Self { dir, desk: Arc::default(), inspectors }
    }

    pub(super) fn files(&self) -> FileStore {
        FileStore::open_in(&self.dir.path().join("data")).expect("a file store")
    }

    /// Where the file with this content lies.
    pub(super) fn files_path(&self, sha256: &str) -> PathBuf {
        self.dir.path().join(format!("data/files/{sha256}.gcode"))
    }

    pub(super) fn intake(&self, files: FileStore) -> Intake {
        Intake::new(files, Arc::clone(&self.inspectors), foreman(Arc::clone(&self.desk)))
    }

    pub(super) fn config(&self) -> InfeedConfig {
        InfeedConfig::new(&self.dir.path().join("in"), vec![LineName::new("east").expect("a name")])
    }

    pub(super) fn taker(&self, files: FileStore) -> Taker {
        Taker { config: Arc::new(self.config()), intake: self.intake(files), closing: Arc::default() }
    }

    /// A start of the daemon.
    pub(super) fn dealer(&self) -> Dealer {
        let data = self.dir.path().join("data");
        fs::create_dir_all(&data).expect("made");
        Dealer::new(self.taker(self.files()))
    }

    pub(super) fn drop_file(&self, name: &str, content: &str) -> Source {
        let path = self.dir.path().join("in").join(name);
        fs::write(&path, content).expect("written");
        source(&path)
    }

    pub(super) fn desk(&self) -> MutexGuard<'_, Desk> {
        self.desk.lock().expect("not poisoned")
    }

    /// Jobs whose source may still be there.
    pub(super) fn left(&self) -> Vec<(JobId, String)> {
        self.desk().jobs.iter().filter_map(|job| Some((job.id, job.source_key.clone()?))).collect()
    }

    /// The files below a folder of the house, in order.
    pub(super) fn list(&self, folder: &str) -> Vec<String> {
        let mut names = Vec::new();
        walk(&self.dir.path().join(folder), &mut names);
        let mut names: Vec<_> = names
            .iter()
            .map(|path| path.strip_prefix(self.dir.path().join(folder)).expect("below").display().to_string())
            .collect();
        names.sort();
        names
    }
}

fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).into_iter().flatten() {
        let path = entry.expect("an entry").path();
        if path.is_dir() { walk(&path, found) } else { found.push(path) }
    }
}

pub(super) fn source(path: &Path) -> Source {
    let Look::File(seen) = look(path).expect("looked") else { panic!("no file at {}", path.display()) };
    Source { path: path.to_owned(), seen }
}

fn foreman(desk: Arc<Mutex<Desk>>) -> Handle {
    let (requests, mut asked) = mpsc::channel(8);
    let (_, live) = watch::channel(Arc::new(Live::default()));
    let handle = Handle::new(requests, live, broadcast::channel(8).0);
    tokio::spawn(async move {
        while let Some(request) = asked.recv().await {
            let mut desk = desk.lock().expect("not poisoned");
            let done = desk.apply(request.command);
            if desk.silent > 0 && matches!(done, Ok(Answer::Job(_))) {
                desk.silent -= 1;
                continue;
            }
            drop(request.answer.send(done));
        }
    });
    handle
}

impl Desk {
    fn apply(&mut self, command: Command) -> Result<Answer, Refused> {
        if let Some(code) = self.refusals.pop_front() {
            return Err(Refused { code, text: "the foreman says no".to_owned() });
        }
        match command {
            Command::Admit(arrival) => Ok(Answer::Job(Box::new(self.admit(*arrival)))),
            Command::NoteRejection { name, reason } => {
                self.rejections.push((name, reason));
                Ok(Answer::Done)
            }
            Command::NoteDelay { .. } | Command::Greet => Ok(Answer::Done),
            Command::SourceGone(id) => {
                let job = self.jobs.iter_mut().find(|job| job.id == id).expect("a known job");
                job.source_key = None;
                Ok(Answer::Done)
            }
            Command::Job { .. } | Command::Line { .. } | Command::Commission { .. } | Command::Keys(_) => {
                unreachable!("the infeed asks nothing of jobs, lines and keys")
            }
        }
    }

    fn admit(&mut self, arrival: Arrival) -> Job {
        let known = self.jobs.iter().find(|job| job.source_key.is_some() && job.source_key == arrival.source_key);
        if let Some(job) = known {
            return job.clone();
        }
        let id = JobId(self.jobs.len() as i64 + 1);
        let job = Job {
            line: arrival.line,
            material: arrival.material.map(Into::into),
            release_c: arrival.release_c,
            source_key: arrival.source_key,
            ..Job::waiting(
                id,
                super::read_name(&arrival.file_name).expect("a good name").name,
                arrival.survey.file.sha256,
                arrival.copies,
                UnixMillis(0),
            )
        };
        self.jobs.push(job.clone());
        job
    }
}

/// Counts bytes; refuses a file that begins with `BAD`.
#[derive(Default)]
pub(super) struct CountingSurvey {
    bytes: u64,
    start: Vec<u8>,
}

impl Inspect for CountingSurvey {
    fn handle_bytes(&mut self, bytes: &Bytes) {
        self.bytes += bytes.len() as u64;
        self.start.extend(bytes.iter().take(3));
        assert!(!self.start.starts_with(b"BUG"), "the survey breaks down");
    }

    fn finish(self: Box<Self>, sha256: String) -> Survey {
        let bad = Finding { code: "bad".to_owned(), line: 1, text: "found BAD, expected a move".to_owned() };
        Survey {
            file: FileFacts { bytes: self.bytes, lines: 1, sha256 },
            footprint: None,
            first_layer: None,
            reach: None,
            height_mm: 0.0,
            layers: 0,
            layer_z_mm: vec![],
            filament: vec![],
            feed_time_s: 0.0,
            time_s: 0.0,
            timetable: Vec::new(),
            purges: vec![],
            temperatures: Temperatures::default(),
            material: None,
            filament_diameter_mm: 1.75,
            end_z_mm: None,
            concerns: vec![],
            refusals: if self.start.starts_with(b"BAD") { vec![bad] } else { vec![] },
            dropped: vec![],
        }
    }
}
