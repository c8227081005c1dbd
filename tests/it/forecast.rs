//! The forecast against what truly happens: real files through the whole daemon, on a simulated machine that has its own idea of
//! how long everything takes.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use serde_json::Value;

use crate::plant::Plant;

const CONFIG: &str = "[daemon]\nlisten = \"127.0.0.1:0\"\nsettle_s = 0.2\nrescan_s = 1.0\n\n[[line]]\nname = \"one\"\n\
    [line.printer]\nlink = \"simulated\"\nspeed = 2000.0\n[line.check]\nkind = \"switch\"\ninput = \"nose\"\n";

const JOBS: [&str; 5] =
    ["plant-marker.2off.gcode", "tray-clip.gcode", "drip-line-stake.gcode", "packet-holder.gcode", "seed-scoop.gcode"];

/// What was told of a job and what became of it, s after the forecast.
#[derive(Debug)]
struct Told {
    expected: f64,
    early: f64,
    late: f64,
    truth: f64,
}

impl Told {
    fn holds(&self) -> bool {
        (self.early..=self.late).contains(&self.truth)
    }

    /// As a share of the truth.
    fn error(&self) -> f64 {
        (self.expected - self.truth).abs() / self.truth
    }
}

fn millis(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is a time"))
}

/// Waits for a forecast of this kind.
async fn until_forecast(plant: &Plant, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
    for _ in 0..20_000 {
        let forecast = plant.show("/forecast").await;
        if wanted(&forecast) {
            return forecast;
        }
        tokio::time::sleep(Duration::from_millis(3)).await;
    }
    panic!("no forecast is {what}: {:#}", plant.show("/forecast").await);
}

/// What was told of a round.
struct Round {
    /// The jobs, in the order of the queue.
    jobs: Vec<Told>,
    /// The prints that had not begun, each for itself.
    prints: Vec<Told>,
}

impl Round {
    fn report(&self, name: &str) {
        for (what, told) in [("job", &self.jobs), ("print", &self.prints)] {
            for each in told {
                let (Told { expected, early, late, truth }, error) = (each, 100.0 * each.error());
                println!(
                    "{name} {what}: {expected:.0} s ({early:.0} to {late:.0}), in truth {truth:.0} s, off by {error:.1} %"
                );
            }
            println!("{name} {what}s: off by {:.1} % in the mean", 100.0 * mean(told));
        }
    }
}

fn mean(told: &[Told]) -> f64 {
    told.iter().map(Told::error).sum::<f64>() / told.len() as f64
}

/// How long the print of each job's first copy truly took, s: from its first byte until the heaters are put off.
async fn true_prints(plant: &Plant) -> BTreeMap<i64, f64> {
    let (mut begun, mut prints, mut after) = (BTreeMap::new(), BTreeMap::new(), Value::from(0));
    while !after.is_null() {
        let page = plant.show(&format!("/journal?limit=500&after={after}")).await;
        for entry in page["entries"].as_array().expect("a list") {
            let (Some(job), at) = (entry["job"].as_i64(), millis(&entry["at"])) else { continue };
            match entry["data"]["step"].as_str() {
                Some("print") => drop(begun.entry(job).or_insert(at)),
                Some("cool-down") => drop(prints.entry(job).or_insert_with(|| (at - begun[&job]) / 1000.0)),
                _ => {}
            }
        }
        after = page["next"].clone();
    }
    prints
}

/// What is told of the first print of a job, if it has not begun.
async fn first_print(plant: &Plant, job: &Value) -> Option<Value> {
    let told = plant.show(&format!("/jobs/{job}/forecast")).await;
    let copy = told["copies"][0]["phases"].as_array()?;
    (copy[0]["phase"] == "warm").then(|| copy[1].clone())
}

/// Makes the five jobs once, and compares the first forecast that has them all with their ends.
async fn round(plant: &Plant, before: usize) -> Round {
    for name in JOBS {
        plant.drop_copy(name, &Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-jobs").join(name));
    }
    let all = |forecast: &Value| {
        let jobs = forecast["jobs"].as_array().expect("a list");
        jobs.len() == JOBS.len() && jobs.iter().all(|job| job["end"].is_object())
    };
    let forecast = until_forecast(plant, "of five jobs", all).await;
    assert_eq!(forecast["jobs_without_figure"], 0);
    let at = millis(&forecast["at"]);
    let foretold = forecast["jobs"].as_array().expect("a list");
    let mut prints = Vec::new();
    for job in foretold {
        prints
            .extend(first_print(plant, &job["job"]).await.map(|print| (job["job"].as_i64().expect("a number"), print)));
    }
    let jobs = plant
        .until_jobs("all made", |jobs| {
            jobs.len() == before + JOBS.len() && jobs.iter().all(|job| job["state"] == "completed")
        })
        .await;
    let truths = true_prints(plant).await;
    let print = |(job, told): (i64, Value)| {
        let expected = (millis(&told["end"]["at"]) - millis(&told["start"]["at"])) / 1000.0;
        // Its start and its end have intervals, and share most of what makes them uncertain.
        Told { expected, early: f64::NAN, late: f64::NAN, truth: truths[&job] }
    };
    let told = |told: &Value| {
        let job = jobs.iter().find(|job| job["id"] == told["job"]).expect("a job that was foretold");
        let after = |time: &Value| (millis(time) - at) / 1000.0;
        let end = &told["end"];
        Told {
            expected: after(&end["at"]),
            early: after(&end["early"]),
            late: after(&end["late"]),
            truth: after(&job["ended_at"]),
        }
    };
    Round { jobs: foretold.iter().map(told).collect(), prints: prints.into_iter().map(print).collect() }
}

#[tokio::test]
async fn the_forecast_holds_the_true_ends_and_gets_better_with_every_print() {
    let plant = Plant::with_config(CONFIG);
    let first = round(&plant, 0).await;
    first.report("first");
    let second = round(&plant, JOBS.len()).await;
    second.report("second");
    for told in [&first.jobs, &second.jobs] {
        assert!(told.iter().filter(|told| told.holds()).count() >= JOBS.len() - 1, "{told:#?}");
    }
    // The config's time constant is half as long again as the machine's own. Two hours ahead, the first round is off by that;
    // the second one has learned how the bed cools.
    assert!(second.jobs.iter().all(|told| told.error() < 0.10), "{:#?}", second.jobs);
    assert!(mean(&second.jobs) < mean(&first.jobs) / 3.0);
    // What the line's own prints teach is the ratio of the machine's times to those worked out from the files.
    let line = &plant.show("/forecast").await["lines"][0];
    println!("{line}");
    assert_eq!(line["prints_learned"], 12);
    assert!(mean(&second.prints) < mean(&first.prints));
}
