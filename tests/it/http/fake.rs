//! A foreman that does what it is asked without machines: it keeps jobs, lines and the journal, persists, then publishes.

use std::sync::Arc;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Method, Request, StatusCode};
use nosebar::clock::Clock;
use nosebar::foreman::{
    Answer, Arrival, Change, Command, Commissioned, ForecastView, Handle, JobCommand, KeyBook, KeyCommand, Keyring,
    LineCommand, LineView, Live, Measured, News, Question, Refused, RefusedCode, Request as Ask, TemperatureCurve,
    TemperatureView, TrialView, WorkView,
};
use nosebar::http::{Desk, Secret, router};
use nosebar::infeed::Intake;
use nosebar::job::{
    CycleId, FileFacts, Job, JobId, JobReason, JobState, KeyName, LineName, LineReason, LineState, PartWord, Phase,
    Rights, Survey, Temperatures,
};
use nosebar::store::{Entry, Reader, Store, Write};
use nosebar::units::UnixMillis;
use serde_json::Value;
use tempfile::TempDir;
use tokio::sync::{Mutex, broadcast, mpsc, watch};
use tower::ServiceExt;

/// 2025-06-01T08:00:00Z: when everything happens.
pub(super) const NOON: UnixMillis = UnixMillis(1_748_764_800_000);

/// A house with a fake foreman.
pub(super) struct Bench {
    pub(super) dir: TempDir,
    pub(super) desk: Desk,
    pub(super) handle: Handle,
    reader: Reader,
    pub(super) fake: Arc<Mutex<Fake>>,
    work: tokio::task::JoinHandle<()>,
}

/// What the fake foreman knows.
pub(super) struct Fake {
    store: Store,
    live: watch::Sender<Arc<Live>>,
    news: broadcast::Sender<News>,
    forecast: watch::Sender<Arc<ForecastView>>,
    keys: KeyBook,
    ring: watch::Sender<Arc<Keyring>>,
    curves: watch::Sender<Arc<Vec<Arc<TemperatureCurve>>>>,
    /// What it was asked, in order, for tests to look at.
    pub(super) asked: Vec<Command>,
    /// Refuses everything with this, when set.
    pub(super) refuses: Option<Refused>,
    jobs: Vec<Job>,
    seq: i64,
}

/// An answer, read whole.
pub(super) struct Reply {
    pub(super) status: StatusCode,
    pub(super) headers: HeaderMap,
    pub(super) text: String,
}

impl Reply {
    /// The body as JSON.
    pub(super) fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|error| panic!("{error}: {}", self.text))
    }

    /// A header as text; empty when it is not there.
    pub(super) fn header(&self, name: &str) -> &str {
        self.headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or("")
    }
}

impl Bench {
    /// One idle line `belt-1`, no jobs.
    pub(super) async fn open() -> Self {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let store = Store::open(&dir.path().join("nosebar.db")).await.expect("a new database");
        let reader = store.reader();
        let first = Live { lines: vec![idle_line("belt-1")], seq: 0 };
        let (live, watching) = watch::channel(Arc::new(first));
        let (news, _) = broadcast::channel(64);
        let (requests, mut desk_bell) = mpsc::channel::<Ask>(16);
        let (forecast, forecast_out) = watch::channel(Arc::default());
        let (ring, ring_out) = watch::channel(Arc::default());
        let (curves, curves_out) = watch::channel(Arc::default());
        let handle = Handle::new(requests, watching, news.clone());
        let handle = handle.with_forecast(forecast_out).with_keys(ring_out).with_curves(curves_out);
        let (asked, keys, jobs) = (Vec::new(), KeyBook::default(), Vec::new());
        let fake = Fake { store, live, news, forecast, keys, ring, curves, asked, refuses: None, jobs, seq: 0 };
        let fake = Arc::new(Mutex::new(fake));
        let foreman = Arc::clone(&fake);
        let work = tokio::spawn(async move {
            while let Some(ask) = desk_bell.recv().await {
                let answer = foreman.lock().await.answer(ask.command).await;
                // Whoever asked may have gone.
                drop(ask.answer.send(answer));
            }
        });
        let intake = super::upload::intake(dir.path(), &handle);
        Self { dir, desk: Desk::new(handle.clone(), reader.clone(), intake), handle, reader, fake, work }
    }

    /// The foreman breaks down.
    pub(super) async fn lose_foreman(&mut self) {
        self.work.abort();
        assert!((&mut self.work).await.is_err_and(|error| error.is_cancelled()));
    }

    /// The same house with another way in.
    pub(super) fn with_intake(mut self, intake: Intake) -> Self {
        self.desk = Desk::new(self.handle.clone(), self.reader.clone(), intake);
        self
    }

    /// Asks everybody for a key from now on; a new one with these rights.
    pub(super) async fn keyed(&mut self, rights: Rights) -> String {
        self.desk = self.desk.clone().with_keys().with_clock(Clock::manual(NOON));
        let secret = Secret::fresh().expect("random numbers");
        let name = KeyName::new(rights.as_str()).expect("a good name");
        let make = KeyCommand::Make { name, rights, hash: secret.hash() };
        self.fake.lock().await.do_to_key(make).expect("made");
        secret.reveal().to_owned()
    }

    /// The routes, as the daemon serves them.
    pub(super) fn routes(&self) -> Router {
        router(self.desk.clone())
    }

    /// Sends a request as a browser on this machine would.
    pub(super) async fn send(&self, request: Request<Body>) -> Reply {
        let response = self.routes().oneshot(request).await.expect("routes do not fail");
        let (parts, body) = response.into_parts();
        let bytes = to_bytes(body, 1 << 24).await.expect("a whole body");
        let text = String::from_utf8(bytes.to_vec()).expect("text");
        Reply { status: parts.status, headers: parts.headers, text }
    }

    /// `GET`.
    pub(super) async fn read(&self, path: &str) -> Reply {
        self.send(request(Method::GET, path, &[], Body::empty())).await
    }

    /// A request with a JSON body.
    pub(super) async fn send_json(&self, method: Method, path: &str, body: &Value) -> Reply {
        let body = Body::from(body.to_string());
        self.send(request(method, path, &[("content-type", "application/json")], body)).await
    }

    /// `POST` of a form, as a browser without scripts does it.
    pub(super) async fn post_form(&self, path: &str, fields: &str) -> Reply {
        let headers = [("content-type", "application/x-www-form-urlencoded"), ("accept", "text/html")];
        self.send(request(Method::POST, path, &headers, Body::from(fields.to_owned()))).await
    }
}

/// A request with the usual host.
pub(super) fn request(method: Method, path: &str, headers: &[(&str, &str)], body: Body) -> Request<Body> {
    let mut builder = Request::builder().method(method).uri(path);
    if !headers.iter().any(|(name, _)| *name == "host") {
        builder = builder.header("host", "127.0.0.1:8017");
    }
    for (name, value) in headers {
        builder = builder.header(*name, *value);
    }
    builder.body(body).expect("a good request")
}

impl Fake {
    async fn answer(&mut self, command: Command) -> Result<Answer, Refused> {
        self.asked.push(command.clone());
        if let Some(refused) = &self.refuses {
            return Err(refused.clone());
        }
        match command {
            Command::Admit(arrival) => self.admit(&arrival).await,
            Command::Job { id, what, if_version } => self.do_to_job(id, &what, if_version).await,
            Command::Line { name, what, if_since } => self.do_to_line(&name, &what, if_since).await,
            Command::Commission { measured, .. } => Ok(Answer::Commissioned(Box::new(commissioned(&measured)))),
            Command::Keys(what) => self.do_to_key(what),
            Command::NoteRejection { name, reason } => {
                self.note("file-rejected", None, &format!("{name} was rejected: {reason}")).await;
                Ok(Answer::Done)
            }
            Command::NoteDelay { .. } | Command::Greet | Command::SourceGone(_) => Ok(Answer::Done),
        }
    }

    async fn admit(&mut self, arrival: &Arrival) -> Result<Answer, Refused> {
        let (name, _) = arrival.file_name.split_once('.').unwrap_or((&arrival.file_name, ""));
        let job = Job {
            name: name.to_owned(),
            copies: arrival.copies,
            line: arrival.line.clone(),
            material: arrival.material.as_deref().map(Into::into),
            release_c: arrival.release_c,
            ..a_job(0)
        };
        let job = if arrival.hold { held(job) } else { job };
        let job = self.add_job_of(job, &arrival.survey).await;
        Ok(Answer::Job(Box::new(job)))
    }

    /// Adds a job under the next number.
    pub(super) async fn add_job(&mut self, job: Job) -> Job {
        self.add_job_of(job, &a_survey()).await
    }

    /// Adds a job of a surveyed file under the next number.
    pub(super) async fn add_job_of(&mut self, mut job: Job, survey: &Survey) -> Job {
        job.id = JobId(i64::try_from(self.jobs.len()).expect("few jobs") + 1);
        job.rank = job.id.0;
        job.sha256 = survey.file.sha256.as_str().into();
        let file = Write::File { survey: Box::new(survey.clone()), at: NOON };
        self.jobs.push(job.clone());
        self.put_job(job.clone(), "job-accepted", vec![file]).await;
        job
    }

    async fn put_job(&mut self, job: Job, kind: &str, mut writes: Vec<Write>) {
        let text = format!("Job {} is {} ({})", job.id, job.state, job.reason);
        let entry = self.entry(kind, Some(job.id), &text);
        writes.extend([Write::Job(Arc::new(job.clone())), Write::Journal(Arc::new(entry.clone()))]);
        self.store.commit(&writes).await.expect("kept");
        // Nobody may be listening.
        drop(self.news.send(News::Job(Arc::new(job))));
        self.publish_entry(entry);
    }

    /// The number of the last journal entry.
    pub(super) fn last_seq(&self) -> i64 {
        self.seq
    }

    fn entry(&mut self, kind: &str, job: Option<JobId>, text: &str) -> Entry {
        self.seq += 1;
        let (kind, text) = (kind.to_owned(), text.to_owned());
        Entry { seq: self.seq, at: NOON, line: None, job, cycle: None, kind, text, data: Value::Null }
    }

    fn publish_entry(&self, entry: Entry) {
        self.live.send_modify(|live| Arc::make_mut(live).seq = entry.seq);
        drop(self.news.send(News::Journal(Arc::new(entry))));
    }

    /// Writes an entry into the journal and publishes it.
    pub(super) async fn note(&mut self, kind: &str, job: Option<JobId>, text: &str) {
        let entry = self.entry(kind, job, text);
        self.store.commit(&[Write::Journal(Arc::new(entry.clone()))]).await.expect("kept");
        self.publish_entry(entry);
    }

    /// Writes entries in one go and publishes none, as if their news had been lost.
    pub(super) async fn note_quietly(&mut self, count: usize) {
        let writes: Vec<_> =
            (0..count).map(|n| Write::Journal(Arc::new(self.entry("state", None, &format!("quiet {n}"))))).collect();
        self.store.commit(&writes).await.expect("kept");
    }

    async fn do_to_job(&mut self, id: JobId, what: &JobCommand, if_version: Option<i64>) -> Result<Answer, Refused> {
        let Some(place) = self.jobs.iter().position(|job| job.id == id) else {
            return Err(no(RefusedCode::NotFound, &format!("there is no job {id}")));
        };
        let mut job = self.jobs[place].clone();
        if if_version.is_some_and(|version| version != job.version) {
            return Err(no(RefusedCode::Stale, &format!("job {id} is at version {} now", job.version)));
        }
        let for_ended = matches!(what, JobCommand::MakeRest | JobCommand::Restore | JobCommand::Judge { .. });
        if job.state.is_terminal() && !for_ended {
            return Err(no(RefusedCode::Conflict, &format!("job {id} has ended")));
        }
        match what {
            JobCommand::MoveUp => job.rank -= 1,
            JobCommand::MoveDown => job.rank += 1,
            JobCommand::Hold => job = held(job),
            JobCommand::Release => (job.state, job.reason) = (JobState::Pending, JobReason::JobQueued),
            JobCommand::MoveBefore(None) => job.rank = 1_000,
            JobCommand::MoveBefore(Some(before)) => {
                let Some(other) = self.jobs.iter().find(|job| job.id == *before) else {
                    return Err(no(RefusedCode::Conflict, &format!("job {before} is not in the queue")));
                };
                job.rank = other.rank - 1;
            }
            JobCommand::Restore => {
                (job.state, job.reason, job.ended_at) = (JobState::Pending, JobReason::JobQueued, None);
            }
            JobCommand::Judge { part, .. } => match part {
                PartWord::Good => job.completed += 1,
                PartWord::Scrap => job.scrapped += 1,
            },
            JobCommand::Cancel => {
                (job.state, job.reason) = (JobState::Canceled, JobReason::JobCanceledByOperator);
                job.ended_at = Some(NOON);
            }
            JobCommand::Patch(patch) => {
                if patch.copies == Some(0) {
                    return Err(no(RefusedCode::Invalid, "copies is 0, expected at least 1"));
                }
                job.copies = patch.copies.unwrap_or(job.copies);
                job.name = patch.name.clone().unwrap_or(job.name);
                if let Some(material) = &patch.material {
                    job.material = material.as_deref().map(Into::into);
                }
                job.release_c = patch.release_c.unwrap_or(job.release_c);
            }
            JobCommand::MakeRest => {
                let rest = Job { restart_of: Some(id), name: job.name, ..a_job(job.copies - job.completed) };
                return Ok(Answer::Job(Box::new(self.add_job(rest).await)));
            }
        }
        job.version += 1;
        self.jobs[place] = job.clone();
        self.put_job(job.clone(), "job-changed", Vec::new()).await;
        Ok(Answer::Job(Box::new(job)))
    }

    async fn do_to_line(
        &mut self,
        name: &LineName,
        what: &LineCommand,
        if_since: Option<UnixMillis>,
    ) -> Result<Answer, Refused> {
        let live = Arc::clone(&self.live.borrow());
        let Some(line) = live.lines.iter().find(|line| line.name == *name) else {
            return Err(no(RefusedCode::NotFound, &format!("there is no line {name}")));
        };
        let mut line = line.clone();
        if *what != LineCommand::EmergencyStop && if_since.is_some_and(|since| since != line.since) {
            return Err(no(RefusedCode::Stale, &format!("{name} has changed")));
        }
        match what {
            LineCommand::HoldNow | LineCommand::NotClear => line.state = LineState::Held,
            LineCommand::HoldAfterPart => line.hold_after_part = true,
            LineCommand::Resume if line.state == LineState::Idle => {
                return Err(no(RefusedCode::Conflict, &format!("{name} is idle; there is nothing to go on with")));
            }
            LineCommand::Resume => line.state = LineState::Execute,
            LineCommand::Stop => line.state = LineState::Stopped,
            LineCommand::EmergencyStop => line.state = LineState::Aborted,
            LineCommand::JogWhile(_) | LineCommand::Jog(_) | LineCommand::HeatTrial { .. } => {
                line.state = LineState::Execute
            }
            LineCommand::JogLetGo { .. } | LineCommand::EndTrial => line.state = LineState::Held,
            // What is marked on the belt changes nothing here that a test looks at.
            LineCommand::SpliceAtNose
            | LineCommand::ForgetSplice
            | LineCommand::MarkFlaw { .. }
            | LineCommand::ClearFlaw(_) => {}
            LineCommand::Acknowledge(kind) => line.alarms.retain(|alarm| alarm.kind != *kind),
            LineCommand::BeltClear { .. } => {
                (line.question, line.belt_clear, line.state) = (None, true, LineState::Idle);
            }
        }
        line.since = UnixMillis(line.since.0 + 1);
        self.show(line.clone());
        self.note("state", None, &format!("{name} is {}", line.state)).await;
        Ok(Answer::Line(Box::new(line)))
    }

    /// What the foreman does, by his own rules.
    pub(super) fn do_to_key(&mut self, what: KeyCommand) -> Result<Answer, Refused> {
        let (key, _) = self.keys.command(NOON, what)?;
        self.ring.send_replace(self.keys.ring());
        Ok(Answer::Key(Box::new(key)))
    }

    /// What the thermometers of its only line showed.
    pub(super) fn trace(&mut self, curve: TemperatureCurve) {
        self.curves.send_replace(Arc::new(vec![Arc::new(curve)]));
    }

    /// Publishes a forecast, and wakes those who listen.
    pub(super) fn foretell(&self, forecast: ForecastView) {
        self.forecast.send_replace(Arc::new(forecast));
    }

    /// Publishes a line as it is now; one with a new name is added.
    pub(super) fn show(&mut self, line: LineView) {
        self.live.send_modify(|live| {
            let lines = &mut Arc::make_mut(live).lines;
            match lines.iter_mut().find(|old| old.name == line.name) {
                Some(old) => *old = line.clone(),
                None => lines.push(line.clone()),
            }
        });
        drop(self.news.send(News::Line(Arc::new(line))));
    }
}

/// What a person's figures would change, or have changed.
fn commissioned(measured: &Measured) -> Commissioned {
    let change = Change {
        key: "belt.units_per_mm".to_owned(),
        old: Some("1.5".to_owned()),
        new: "2.0".to_owned(),
        replaces: true,
    };
    Commissioned {
        sentences: vec!["Asked for 100 mm, ran 75 mm.".to_owned()],
        changes: vec![change],
        read_as: "0123abcd".to_owned(),
        written: measured.write.is_some(),
    }
}

/// A refusal.
pub(super) fn no(code: RefusedCode, text: &str) -> Refused {
    Refused { code, text: text.to_owned() }
}

fn held(job: Job) -> Job {
    Job { state: JobState::PendingHeld, reason: JobReason::JobHeldForRelease, ..job }
}

/// A job of the seed library that waits.
pub(super) fn a_job(copies: u32) -> Job {
    Job {
        material: Some("petg".into()),
        ..Job::waiting(JobId(0), "tray-clip".to_owned(), "0".repeat(64), copies, NOON)
    }
}

/// A survey without findings.
pub(super) fn a_survey() -> Survey {
    Survey {
        file: FileFacts { bytes: 1000, lines: 50, sha256: "0".repeat(64) },
        footprint: None,
        first_layer: None,
        reach: None,
        height_mm: 12.0,
        layers: 60,
        layer_z_mm: vec![0.2],
        filament: Vec::new(),
        feed_time_s: 600.0,
        time_s: 0.0,
        timetable: Vec::new(),
        purges: Vec::new(),
        temperatures: Temperatures::default(),
        material: None,
        filament_diameter_mm: 1.75,
        end_z_mm: None,
        concerns: Vec::new(),
        refusals: Vec::new(),
        dropped: Vec::new(),
    }
}

/// A line that waits for a job.
pub(super) fn idle_line(name: &str) -> LineView {
    LineView {
        name: LineName::new(name).expect("a good name"),
        state: LineState::Idle,
        reason: LineReason::None,
        phase: None,
        words: "Idle: waits for a job".to_owned(),
        waits_for: None,
        since: NOON,
        deadline: None,
        phase_ends: None,
        work: None,
        temperatures: TemperatureView { bed_c: Some(24.1), nozzle_c: Some(24.6), ..TemperatureView::default() },
        question: None,
        connected: true,
        belt_clear: true,
        belt_odometer_um: 12_345_678,
        belt_uncertain_um: 0,
        hold_after_part: false,
        check: "ask".to_owned(),
        standing_word: None,
        material: Some("petg".into()),
        trial: TrialView {
            units_per_mm: 1.5,
            nose_mm: 220.0,
            travel_mm_min: 1500.0,
            bed_max_c: 110.0,
            ..TrialView::default()
        },
        commands: ["hold-now", "stop", "emergency-stop"].map(str::to_owned).to_vec(),
        belt: None,
        alarms: Vec::new(),
    }
}

/// A line in a phase of its second copy of twelve.
pub(super) fn busy_line(name: &str, phase: Phase) -> LineView {
    let words = match phase {
        Phase::Warm => "Warming: bed 52.4 °C of 60 °C",
        Phase::Print => "Printing: copy 2 of 12",
        Phase::Cool => "Cooling: 47.2 °C, lets go at 32 °C",
        Phase::Advance => "Advancing: the belt pushes the part over the nose",
        Phase::Check => "Checking: has the part left the belt?",
    };
    LineView {
        state: LineState::Execute,
        phase: Some(phase),
        words: words.to_owned(),
        waits_for: (phase == Phase::Cool).then(|| "the bed to fall to 32 °C".to_owned()),
        deadline: Some(UnixMillis(NOON.0 + 1_560_000)),
        work: Some(WorkView {
            job: JobId(1),
            name: "tray-clip".to_owned(),
            cycle: CycleId(2),
            copy: 2,
            copies: 12,
            sent: 0.64,
            done: 0.64,
            release_c: 32.0,
            advance_mm: 182.5,
        }),
        temperatures: TemperatureView {
            bed_c: Some(47.24),
            bed_target_c: Some(0.0),
            nozzle_c: Some(58.0),
            nozzle_target_c: Some(0.0),
            at: Some(NOON),
        },
        belt_clear: false,
        commands: ["hold-after-part", "hold-now", "stop", "emergency-stop"].map(str::to_owned).to_vec(),
        ..idle_line(name)
    }
}

/// A line whose clear check asks a person.
pub(super) fn asking_line(name: &str) -> LineView {
    LineView {
        state: LineState::Held,
        reason: LineReason::AskPerson,
        question: Some(Question {
            happened: "The belt has carried the tray-clip over the nose.".to_owned(),
            look_at: "the belt from the head to the nose, and the bin".to_owned(),
            ask: "Has the part left the belt?".to_owned(),
            yes: "Yes, the belt is clear".to_owned(),
            yes_does: "Counts the copy as made and begins the next one.".to_owned(),
            no: "No, it is still there".to_owned(),
            no_does: "Runs the belt back a little and forward once more.".to_owned(),
        }),
        commands: ["belt-clear", "not-clear", "stop", "emergency-stop"].map(str::to_owned).to_vec(),
        ..busy_line(name, Phase::Check)
    }
}
