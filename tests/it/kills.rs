//! SIGKILL at random moments: one data folder and one machine live through every round, and nothing is lost, doubled or
//! miscounted. `NOSEBAR_KILL_ROUNDS` says how many rounds, `NOSEBAR_KILL_SEED` which; the seed chooses what is done and how long
//! is waited, and what the daemon is at by then differs from run to run.

mod aim;
mod books;
mod found;
mod life;
mod orders;
mod person;

use std::collections::BTreeMap;
use std::thread::JoinHandle;

use serde_json::Value;

use aim::Aim;
use books::{Books, figure};
use found::Found;
use person::Asks;

use crate::plant::{By, Plant};
use crate::world::chance::Chance;

/// How fast the machine is.
const SPEED: u32 = 600;
const CHECKS: [&str; 2] = ["kind = \"ask\"", "kind = \"switch\"\ninput = \"nose\""];
/// The machine knows no materials: from its belt everything lets go at the same temperature.
const MATERIALS: &str = "[materials]\npetg = { density_g_cm3 = 1.27, release_c = 32.0 }\n\
    asa = { density_g_cm3 = 1.07, release_c = 32.0 }\nabs = { density_g_cm3 = 1.05, release_c = 32.0 }";
/// From so many rounds on, every phase must have been hit.
const MANY_ROUNDS: usize = 200;
const MUST_BE_HIT: [&str; 5] = ["print", "cool", "advance", "check", "idle"];

/// What a run showed.
#[derive(Debug, Default)]
struct Tally {
    kills: BTreeMap<String, u32>,
    /// Starts that a person looked at before the next kill, and those of them that asked.
    looks: u32,
    asked: u32,
    questions: u32,
    /// Kills that left a file in the folder that was a job already.
    left_behind: u32,
    /// Uploads without an answer.
    unanswered: u32,
}

/// Everything that takes part.
struct Trial {
    plant: Plant,
    /// One for each life of the daemon: making one takes longer than most answers.
    client: reqwest::Client,
    chance: Chance,
    books: Books,
    asks: Asks,
    /// The one who kills the daemon, once there is one.
    killer: Option<JoinHandle<()>>,
    /// Where the machine stood still when the line was found asking.
    still: Option<Value>,
    /// Belt travel that the machine made beyond the odometer, and what the line said of it, µm.
    travel: (i64, i64),
    /// Whether a kill since then left the belt running.
    belt_ran: bool,
    tally: Tally,
}

impl Trial {
    async fn begin(seed: u64) -> Self {
        let mut trial = Self {
            plant: Plant::start(By::PseudoTerminal, SPEED, CHECKS[0], ""),
            client: reqwest::Client::new(),
            chance: Chance::new(seed),
            books: Books::new(),
            // A new line does not know whether anything lies on its belt.
            asks: Asks::Must,
            killer: None,
            still: None,
            travel: (0, 0),
            belt_ran: false,
            tally: Tally::default(),
        };
        trial.plant.daemon().kill();
        trial.plant.change_config(|text| format!("{text}\n{MATERIALS}\n"));
        trial.see_what_is_left().await;
        trial
    }

    /// One life of the daemon, from its start to its sudden end.
    async fn round(&mut self) {
        let aim = Aim::choose(&mut self.chance);
        if self.chance.one_in(4) && self.books.orders.unmade(&self.books.last) < life::ENOUGH {
            self.drop_while_nobody_looks();
        }
        self.change_check();
        self.client = reqwest::Client::new();
        self.plant.begin_daemon();
        if let Aim::Start(delay) = aim {
            self.arm(delay);
        }
        // `None` is how each life ends: the daemon has died under somebody who wanted something from it.
        let lived = self.live(aim).await;
        assert!(lived.is_none());
        self.killer.take().expect("it was killed").join().expect("the killer has done its work");
        self.plant.daemon().bury();
        self.see_what_is_left().await;
        let standing = self.books.last.standing();
        println!("{aim:?}: killed at {standing}");
        *self.tally.kills.entry(standing.to_owned()).or_default() += 1;
    }

    fn change_check(&mut self) {
        let (old, new) = if self.chance.one_in(2) { (CHECKS[0], CHECKS[1]) } else { (CHECKS[1], CHECKS[0]) };
        self.plant.change_config(|text| text.replace(old, new));
    }

    async fn see_what_is_left(&mut self) {
        let found = Found::read(&self.plant.data(), &self.plant.infeed()).await;
        let truth = self.plant.truth();
        let part_lies = truth["parts_on_belt"].as_array().is_some_and(|parts| !parts.is_empty());
        let under_way = found.open_cycle().is_some();
        assert!(!part_lies || under_way || self.asks != Asks::MustNot, "a part that nobody knows of: {truth:#}");
        if part_lies || under_way {
            self.asks = Asks::Must;
        }
        self.belt_ran |= found.belt_may_have_run();
        let orders = self.books.orders.all.iter();
        let twice =
            orders.filter(|o| found.folder.contains(&o.file_name()) && found.jobs_of(&o.sha256).next().is_some());
        self.tally.left_behind += u32::try_from(twice.count()).expect("few");
        self.books.take(found, &truth);
    }

    /// Nobody is killed any more: everything that was asked for is made, once.
    async fn finish(&mut self) {
        self.plant.change_config(|text| text.replace(CHECKS[0], CHECKS[1]));
        self.client = reqwest::Client::new();
        self.plant.start_daemon();
        self.look().await.expect("it lives");
        self.work_all_off().await;
        let line = self.plant.line().await;
        assert_eq!((&line["state"], &line["question"]), (&"idle".into(), &Value::Null), "{line:#}");
        let truth = self.plant.truth();
        self.travel_is_right(&line, &truth);
        assert_eq!(self.plant.daemon().terminate(), Some(0));
        self.see_what_is_left().await;
        let found = &self.books.last;
        assert_eq!((found.open_cycle(), found.folder.len()), (None, 0));
        for order in &self.books.orders.all {
            assert_eq!((order.copies, found.jobs_of(&order.sha256).count()), (found.good_of(&order.sha256), 1));
        }
        let gone = figure(&truth, "parts_fallen") + figure(&truth, "parts_taken_off");
        assert_eq!((figure(&truth, "prints_begun"), truth["parts_on_belt"].as_array().map(Vec::len)), (gone, Some(0)));
    }

    /// What happened, in a few lines.
    fn tell(&self, rounds: usize) {
        let (found, tally) = (&self.books.last, &self.tally);
        let sum = |of: fn(&found::Job) -> i64| found.jobs.values().map(of).sum::<i64>();
        println!("{rounds} rounds; kills by what the line was at: {:?}", tally.kills);
        println!(
            "{} starts looked at, {} of them asked; {} questions answered; {} files left in the folder as jobs; {} uploads without answer",
            tally.looks, tally.asked, tally.questions, tally.left_behind, tally.unanswered
        );
        println!(
            "{} files became {} jobs; {} copies good, {} scrapped; {} µm of belt travel in doubt, {} of them happened",
            self.books.orders.all.len(),
            found.jobs.len(),
            sum(|job| job.completed),
            sum(|job| job.scrapped),
            self.travel.1,
            self.travel.0
        );
    }
}

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |text| text.parse().unwrap_or_else(|_| panic!("{name} is {text:?}, no number")))
}

#[tokio::test]
async fn kills_at_random_moments_lose_nothing_double_nothing_and_the_line_asks() {
    let rounds = usize::try_from(number("NOSEBAR_KILL_ROUNDS", 6)).expect("a number of rounds");
    let seed = number("NOSEBAR_KILL_SEED", u64::from(std::process::id()));
    println!("NOSEBAR_KILL_ROUNDS={rounds} NOSEBAR_KILL_SEED={seed}");
    let mut trial = Trial::begin(seed).await;
    for _ in 0..rounds {
        trial.round().await;
    }
    trial.finish().await;
    trial.tell(rounds);
    let kills = &trial.tally.kills;
    assert_eq!(kills.values().sum::<u32>() as usize, rounds);
    assert!(!trial.books.orders.all.is_empty(), "nothing was asked for");
    assert!(trial.tally.asked > 0, "no start asked");
    let missed: Vec<_> = MUST_BE_HIT.iter().filter(|phase| !kills.contains_key(**phase)).collect();
    assert!(rounds < MANY_ROUNDS || missed.is_empty(), "never killed in {missed:?}");
}
