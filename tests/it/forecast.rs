//! The forecast against what truly happens: real files through the whole daemon, on a simulated machine that has its own idea of
//! how long everything takes.

use std::path::Path;
use std::time::Duration;

use serde_json::Value;

use crate::plant::Plant;

const CONFIG: &str = "[daemon]\nlisten = \"127.0.0.1:0\"\nsettle_s = 0.2\nrescan_s = 1.0\n\n[[line]]\nname = \"one\"\n\
    [line.printer]\nlink = \"simulated\"\nspeed = 2000.0\n[line.heat]\ncooling_time_constant_s = 600.0\n[line.check]\nkind = \"switch\"\ninput = \"nose\"\n";

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

/// Makes the five jobs once, and compares the first forecast that has them all with their ends.
async fn round(plant: &Plant, before: usize) -> Vec<Told> {
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
    let jobs = plant
        .until_jobs("all made", |jobs| {
            jobs.len() == before + JOBS.len() && jobs.iter().all(|job| job["state"] == "completed")
        })
        .await;
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
    forecast["jobs"].as_array().expect("a list").iter().map(told).collect()
}

fn report(round: &str, told: &[Told]) {
    for each in told {
        let Told { expected, early, late, truth } = each;
        println!(
            "{round}: {expected:.0} s ({early:.0} to {late:.0}), in truth {truth:.0} s, off by {:.1} %",
            100.0 * each.error()
        );
    }
}

#[tokio::test]
async fn the_forecast_holds_the_true_ends_and_gets_better_with_every_print() {
    let plant = Plant::with_config(CONFIG);
    let first = round(&plant, 0).await;
    report("first", &first);
    let second = round(&plant, JOBS.len()).await;
    report("second", &second);
    for told in [&first, &second] {
        assert!(told.iter().filter(|told| told.holds()).count() >= JOBS.len() - 1, "{told:#?}");
        let last = told.last().expect("five jobs");
        assert!(last.error() < 0.10, "{last:#?}");
    }
    let mean = |told: &[Told]| told.iter().map(Told::error).sum::<f64>() / told.len() as f64;
    println!("mean error {:.1} %, then {:.1} %", 100.0 * mean(&first), 100.0 * mean(&second));
    // What the line's own prints teach is the ratio of the machine's times to those worked out from the files.
    let line = &plant.show("/forecast").await["lines"][0];
    println!("{line}");
    assert_eq!(line["prints_learned"], 12);
    assert!(mean(&second) < mean(&first) && mean(&second) < 0.03);
}
