//! The world: one process, one machine, the cable between them, a disk, people, and one clock.

use std::collections::{BTreeMap, VecDeque};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use nosebar::clock::Clock;
use nosebar::foreman::{Answer, Arrival, Command, Errand, LineCommand, Office, Refused};
use nosebar::job::{CycleId, JobId, LineName, Phase};
use nosebar::line::Verdict;
use nosebar::printer::{Attendant, Order, Report};
use nosebar::sim::Printer;
use nosebar::store::{StoreError, Write};
use nosebar::units::{Moment, UnixMillis};
use tokio::sync::oneshot;

use super::cable::Way;
use super::chance::Chance;
use super::fault::{Program, When};
use super::laws::Laws;
use super::person::Person;
use super::plan::Plan;
use super::store::Kept;
use super::tally::Tally;

/// Everything there is.
pub(crate) struct World {
    pub(crate) plan: Plan,
    pub(crate) chance: Chance,
    pub(crate) clock: Clock,
    /// How long the computer has slept: the machine's time is so far ahead of the line's.
    pub(crate) slept: Duration,
    pub(crate) machine: Printer,
    pub(crate) disk: Kept,
    pub(crate) files: BTreeMap<PathBuf, Arc<Vec<u8>>>,
    arrivals: Vec<Arrival>,
    pub(crate) spoilt: bool,
    pub(crate) cable: Cable,
    pub(crate) process: Option<Process>,
    /// When a process that was killed is started again.
    pub(crate) restart_at: Option<Moment>,
    /// So many effects until the process is killed, and how long it is down then.
    pub(crate) killing: Option<(u32, Duration)>,
    pub(crate) program: Option<Program>,
    pub(crate) person: Person,
    pub(crate) laws: Laws,
    pub(crate) tally: Tally,
    /// Faults whose moment is known.
    pub(crate) due: Vec<(Moment, usize)>,
    pub(crate) fails_until: Option<Moment>,
    /// One write in so many is slow.
    pub(crate) slow_one_in: usize,
    was: Option<(u32, Phase)>,
    begun: u32,
    last_cycle: Option<CycleId>,
    /// So many entries of the journal are told with a broken law.
    pub(crate) told: usize,
}

/// Both ways of the link, and whether it is open.
#[derive(Debug, Default)]
pub(crate) struct Cable {
    pub(crate) to_machine: Way,
    pub(crate) to_host: Way,
    pub(crate) open: bool,
    /// It cannot be opened before.
    pub(crate) down_until: Option<Moment>,
    /// Until then the machine says that it is busy, and nothing else; when it says so next.
    pub(crate) busy: Option<(Moment, Moment)>,
    pub(super) held: Vec<Vec<u8>>,
}

/// The daemon.
pub(crate) struct Process {
    pub(crate) office: Office,
    pub(crate) attendant: Attendant,
    pub(crate) orders: VecDeque<Order>,
    pub(crate) reports: VecDeque<Report>,
    pub(crate) requests: VecDeque<(Command, oneshot::Sender<Result<Answer, Refused>>)>,
    pub(crate) answers: Vec<(Command, oneshot::Receiver<Result<Answer, Refused>>)>,
    checks: Vec<(Moment, CycleId, Verdict)>,
    /// What is being written, and when that ends.
    commit: Option<(Moment, Vec<Write>)>,
    pub(super) file: (Arc<Vec<u8>>, usize),
}

impl Process {
    pub(crate) fn is_writing(&self) -> bool {
        self.commit.is_some()
    }
}

/// No world lasts longer, by the line's clock.
const LONGEST: Duration = Duration::from_secs(60 * 3600);
/// More steps than any world needs.
const STEPS_MAX: u64 = 20_000_000;

/// How long a disk takes to keep something when that matters most.
const SLOW_DISK: Duration = Duration::from_secs(1);

/// How a world ended.
pub(crate) type Verdicts = Result<(), String>;

impl World {
    pub(crate) fn new(plan: Plan) -> Self {
        let clock = Clock::manual(UnixMillis(1_790_000_000_000));
        let machine = Printer::new(plan.machine.clone(), Moment::ZERO);
        let mut chance = plan.chance.clone();
        let way = || Way::with_latency(plan.latency);
        let at = |(index, fault): (usize, &super::fault::Fault)| match fault.when {
            When::At(after) => Some((Moment::ZERO + after, index)),
            When::In { .. } => None,
        };
        let mut world = Self {
            cable: Cable { to_machine: way(), to_host: way(), ..Cable::default() },
            due: plan.faults.iter().enumerate().filter_map(at).collect(),
            person: Person::new(&mut chance),
            laws: Laws::new(&plan),
            tally: Tally::default(),
            disk: Kept::default(),
            files: plan.files(),
            arrivals: plan.arrivals(),
            spoilt: false,
            slept: Duration::ZERO,
            process: None,
            restart_at: None,
            killing: None,
            program: None,
            fails_until: None,
            slow_one_in: 50,
            was: None,
            begun: 0,
            last_cycle: None,
            told: 25,
            machine,
            clock,
            chance,
            plan,
        };
        world.start();
        world.send_what_is_missing();
        world
    }

    /// Works until everything is made, or a law is broken.
    pub(crate) fn run(mut self) -> (Tally, Verdicts) {
        let verdict = loop {
            if let Err(broken) = self.step() {
                break Err(broken);
            }
            if self.is_done() {
                break Ok(());
            }
            if self.now() > Moment::ZERO + LONGEST || self.tally.steps > STEPS_MAX {
                break Err(format!("L9: it does not come to an end; {}", self.look()));
            }
        };
        let verdict = verdict.map_err(|broken| format!("{broken}\n{}", self.recent()));
        self.tally.line_time = self.now().since(Moment::ZERO);
        self.tally.cycles = self.disk.cycles.values().filter(|cycle| cycle.outcome.is_some()).count() as u64;
        (self.tally, verdict)
    }

    pub(crate) fn now(&self) -> Moment {
        self.clock.now()
    }

    /// The machine's time.
    pub(crate) fn physical(&self) -> Moment {
        self.now() + self.slept
    }

    pub(crate) fn line_name(&self) -> LineName {
        self.plan.config.lines[0].name.clone()
    }

    /// One thing happens.
    pub(crate) fn step(&mut self) -> Result<(), String> {
        self.tally.steps += 1;
        // Whether foreman or driver has its turn first is anybody's guess.
        let office_first = self.chance.one_in(2);
        let first = if office_first { self.step_office()? } else { self.step_driver()? };
        let did = first || if office_first { self.step_driver()? } else { self.step_office()? };
        if did {
            return self.count_down();
        }
        self.settled()?;
        self.pass_time()
    }

    fn count_down(&mut self) -> Result<(), String> {
        if let Some((effects, down)) = self.killing.take() {
            match effects.checked_sub(1) {
                Some(left) => self.killing = Some((left, down)),
                None => self.kill(down),
            }
        }
        Ok(())
    }

    fn is_done(&self) -> bool {
        self.process.is_some()
            && self.disk.jobs.len() == self.plan.jobs.len()
            && self.disk.jobs.values().all(|job| job.state.is_terminal())
            && self.due.is_empty()
            && self.killing.is_none()
    }

    /// One errand of the foreman, or one thing that has come to him.
    fn step_office(&mut self) -> Result<bool, String> {
        let Some(process) = &mut self.process else { return Ok(false) };
        if process.commit.is_some() {
            return Ok(false);
        }
        if let Some(errand) = process.office.poll() {
            self.run_errand(errand)?;
            return Ok(true);
        }
        if let Some(report) = process.reports.pop_front() {
            self.laws.see_report(self.clock.now(), &report);
            process.office.handle_report(0, report);
            return Ok(true);
        }
        if let Some((command, answer)) = process.requests.pop_front() {
            if process.office.stop_at_once(&command).is_some() {
                self.laws.see_stop_asked(self.clock.now(), process.attendant.is_connected());
            }
            if matches!(command, Command::Line { what: LineCommand::JogWhile(_), .. }) {
                self.laws.held_at = Some(self.clock.now());
            }
            process.office.handle_request(command, answer);
            return Ok(true);
        }
        Ok(false)
    }

    fn run_errand(&mut self, errand: Errand) -> Result<(), String> {
        let now = self.now();
        let Some(process) = &mut self.process else { return Ok(()) };
        match errand {
            Errand::Tell(_, order) => {
                self.laws.see_order(now, &order, &self.disk, &process.office, process.attendant.is_connected())?;
                process.orders.push_back(order);
            }
            Errand::Keep(writes) => {
                // While a stop is on its way the disk is at its slowest.
                let stop = self.laws.stop_is_due();
                let slow = self.chance.one_in(self.slow_one_in);
                let takes = if slow {
                    self.chance.span(Duration::from_millis(1), Duration::from_secs(2))
                } else if stop {
                    SLOW_DISK
                } else {
                    Duration::ZERO
                };
                process.commit = Some((now + takes, writes));
                if takes.is_zero() {
                    self.end_commit();
                }
            }
            Errand::Check(_, cycle) => {
                let check = self.run_check(cycle);
                if let (Some(process), Some(check)) = (&mut self.process, check) {
                    process.checks.push(check);
                }
            }
            Errand::Publish { .. } => {}
            Errand::Answer(answer, decided) => {
                drop(answer.send(decided));
                for (command, mut answer) in std::mem::take(&mut process.answers) {
                    match answer.try_recv() {
                        Ok(answered) => self.laws.see_answer(&command, &answered, &self.disk)?,
                        Err(oneshot::error::TryRecvError::Empty) => process.answers.push((command, answer)),
                        Err(oneshot::error::TryRecvError::Closed) => {}
                    }
                }
            }
        }
        Ok(())
    }

    fn end_commit(&mut self) {
        let Some(process) = &mut self.process else { return };
        let Some((_, writes)) = process.commit.take() else { return };
        let kept: Result<(), StoreError> = self.disk.commit(writes);
        process.office.handle_kept(kept);
    }

    fn run_check(&mut self, cycle: CycleId) -> Option<(Moment, CycleId, Verdict)> {
        let limit = self.plan.config.lines[0].settings.command_limit;
        let takes = self.chance.span(Duration::from_millis(10), Duration::from_secs(10));
        let clear = self.machine.truth().parts_on_belt.is_empty();
        let (takes, verdict) = match self.program {
            // The shell ends a program that runs for too long.
            Some(Program::Hangs) => (limit, Verdict::Unknown),
            Some(Program::Crashes) => (takes, Verdict::Unknown),
            Some(Program::SaysClear) => (takes, Verdict::Clear),
            Some(Program::SaysNotClear) => (takes, Verdict::NotClear),
            None if clear => (takes, Verdict::Clear),
            None => (takes, Verdict::NotClear),
        };
        Some((self.now() + takes, cycle, verdict))
    }

    /// Nothing more comes of what has happened: laws are looked at, and time passes to whatever is next.
    fn pass_time(&mut self) -> Result<(), String> {
        let (now, slept) = (self.now(), self.slept);
        let awake = |physical: Moment| Moment(physical.0.saturating_sub(slept.as_micros() as u64));
        let process = self.process.as_ref();
        let times = [
            process.and_then(|process| process.office.deadline().filter(|_| process.commit.is_none())),
            process.and_then(|process| process.attendant.deadline()),
            process.and_then(|process| process.commit.as_ref().map(|(at, _)| *at)),
            process.and_then(|process| process.checks.iter().map(|(at, ..)| *at).min()),
            self.machine.deadline().map(awake),
            self.cable.to_machine.next().filter(|_| self.cable.busy.is_none()).map(awake),
            self.cable.to_host.next().map(awake),
            self.cable.busy.map(|(until, next)| until.min(next)),
            self.due.iter().map(|(at, _)| *at).min(),
            self.restart_at,
            self.fails_until,
            Some(self.person.next_look),
        ];
        let next = times.into_iter().flatten().min().unwrap_or(now);
        // Never at once again, whatever anybody says.
        self.clock.move_to(next.max(Moment(now.0 + 1)));
        self.arrive()
    }

    fn arrive(&mut self) -> Result<(), String> {
        let now = self.now();
        self.deliver();
        self.see_busy();
        if self.fails_until.is_some_and(|until| until <= now) {
            (self.fails_until, self.disk.fails) = (None, None);
        }
        if self.restart_at.take_if(|at| *at <= now).is_some() {
            self.start();
            let mut laws = std::mem::take(&mut self.laws);
            let judged = laws.see_start(self);
            self.laws = laws;
            judged?;
        }
        while let Some(at) = self.due.iter().position(|(at, _)| *at <= now) {
            let (_, index) = self.due.swap_remove(at);
            self.suffer(index);
        }
        if self.process.as_ref().and_then(|process| process.commit.as_ref()).is_some_and(|(at, _)| *at <= now) {
            self.end_commit();
        }
        if let Some(process) = &mut self.process {
            if process.commit.is_none() && process.office.deadline().is_some_and(|at| at <= now) {
                process.office.handle_timeout();
            }
            if process.attendant.deadline().is_some_and(|at| at <= now) {
                process.attendant.handle_timeout(now);
            }
            while let Some(at) = process.checks.iter().position(|(at, ..)| *at <= now) {
                let (_, cycle, verdict) = process.checks.swap_remove(at);
                self.laws.see_verdict(verdict, &self.machine.truth());
                process.office.handle_checked(0, cycle, verdict, "the program".to_owned());
            }
        }
        if self.person.next_look <= now {
            self.person_looks();
        }
        Ok(())
    }

    /// Everything that has happened is decided about.
    fn settled(&mut self) -> Result<(), String> {
        self.follow_phases();
        let mut laws = std::mem::take(&mut self.laws);
        let judged = laws.judge(self);
        self.laws = laws;
        judged
    }

    fn follow_phases(&mut self) {
        let Some(process) = &self.process else { return };
        let line = process.office.line(0);
        self.tally.see(line);
        let cycle = line.in_work().map(|work| work.work.cycle);
        if cycle.is_some() && cycle != self.last_cycle {
            self.begun += 1;
            self.last_cycle = cycle;
        }
        let is = line.phase().map(|phase| (self.begun, phase));
        if is == self.was {
            return;
        }
        self.was = is;
        let Some((now_copy, now_phase)) = is else { return };
        let now = self.clock.now();
        for (index, fault) in self.plan.faults.iter().enumerate() {
            if let When::In { copy, phase, after } = fault.when
                && (copy, phase) == (now_copy, now_phase)
                && self.tally.armed.insert(index)
            {
                self.due.push((now + after, index));
            }
        }
    }

    fn start(&mut self) {
        let snapshot = self.disk.load();
        let office =
            Office::open(&self.plan.config, snapshot, |hash: &str| Path::new(hash).to_owned(), self.clock.clone());
        let settings = nosebar::cli::driver_settings(&self.plan.config.lines[0]);
        let attendant = Attendant::new(self.now(), settings, "the machine".to_owned());
        self.process = Some(Process {
            office,
            attendant,
            orders: VecDeque::new(),
            reports: VecDeque::new(),
            requests: VecDeque::new(),
            answers: Vec::new(),
            checks: Vec::new(),
            commit: None,
            file: (Arc::default(), 0),
        });
    }

    /// As `kill -9`, or a power cut of the computer alone.
    pub(crate) fn kill(&mut self, down: Duration) {
        let Some(mut process) = self.process.take() else { return };
        // What was being written may have been kept, or not.
        if let Some((_, writes)) = process.commit.take()
            && self.chance.one_in(2)
        {
            drop(self.disk.commit(writes));
        }
        self.cable.open = false;
        self.cable.to_host.empty();
        self.cable.held.clear();
        self.laws.see_kill(&self.disk);
        self.restart_at = Some(self.now() + down);
    }

    /// A person sends what is not known yet; the same file never becomes two jobs.
    pub(crate) fn send_what_is_missing(&mut self) {
        let known: Vec<_> = self.disk.jobs.values().filter_map(|job| job.source_key.clone()).collect();
        let missing: Vec<Arrival> = self
            .arrivals
            .iter()
            .filter(|arrival| arrival.source_key.as_ref().is_some_and(|key| !known.contains(key)))
            .cloned()
            .collect();
        for arrival in missing {
            self.ask(Command::Admit(Box::new(arrival)));
        }
    }

    /// Somebody asks the foreman for something.
    pub(crate) fn ask(&mut self, command: Command) {
        let Some(process) = &mut self.process else { return };
        if process.commit.is_some()
            && let Some((_, order)) = process.office.stop_at_once(&command)
        {
            self.laws.see_stop_asked(self.clock.now(), process.attendant.is_connected());
            process.orders.push_back(order);
        }
        let (answer, answered) = oneshot::channel();
        process.answers.push((command.clone(), answered));
        process.requests.push_back((command, answer));
    }

    pub(crate) fn open_jobs(&self) -> Vec<JobId> {
        self.disk.jobs.values().filter(|job| !job.state.is_terminal()).map(|job| job.id).collect()
    }

    /// How things are, for whoever reads of a broken law.
    pub(crate) fn look(&self) -> String {
        let line = self.process.as_ref().map(|process| {
            let line = process.office.line(0);
            let stage = line.in_work().map(|work| work.stage);
            format!(
                "{:?} {stage:?}, asks {:?}, connected {}, note {:?}",
                line.state(),
                line.asks(),
                line.connected(),
                line.note()
            )
        });
        let jobs: Vec<_> = self.disk.jobs.values().map(|job| (job.id, job.state, job.reason, &job.note)).collect();
        format!(
            "{} after {:?}; {jobs:?}; {:?}",
            line.unwrap_or_default(),
            self.now().since(Moment::ZERO),
            self.machine.truth()
        )
    }

    fn recent(&self) -> String {
        let journal = self.disk.journal.iter().rev().take(self.told).rev();
        let lines: Vec<String> =
            journal.map(|entry| format!("  {} {} {}", entry.at.0, entry.kind, entry.text)).collect();
        format!("{}\n{}", self.look(), lines.join("\n"))
    }
}
