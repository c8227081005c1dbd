//! `/api/v1/forecast`, and what the page says of what is to come.

use nosebar::foreman::{
    CopyForecastView, ForecastView, JobForecastView, LineForecastView, LineView, PhaseForecastView, TimeView,
};
use nosebar::job::{Job, JobId, JobReason, JobState, LineName, Phase};
use nosebar::units::UnixMillis;

use super::fake::{Bench, NOON, a_job, busy_line};
use super::page::words;
use super::problems::check_problem;

/// So many minutes after eight, and as many to each side.
fn time(minutes: i64, within: i64) -> TimeView {
    let at = |minutes: i64| UnixMillis(NOON.0 + minutes * 60_000);
    TimeView { at: at(minutes), early: at(minutes - within), late: at(minutes + within) }
}

/// The first job is on the line and done at 09:30, the second at three in the morning, the third waits for a person.
pub(super) fn a_forecast() -> ForecastView {
    let name = || LineName::new("belt-1").expect("a good name");
    let job = |id, start, end, reason| JobForecastView {
        job: JobId(id),
        start,
        end,
        reason,
        copies: Vec::new(),
        copies_left_out: 0,
    };
    let phase = |phase, from, to, waits_for_person| PhaseForecastView {
        phase,
        start: time(from, 0),
        end: time(to, 5),
        waits_for_person,
    };
    let copy = CopyForecastView {
        copy: 2,
        line: name(),
        phases: vec![phase(Phase::Advance, 0, 1, false), phase(Phase::Check, 1, 90, true)],
    };
    let line = LineForecastView {
        line: name(),
        part: Some(time(90, 10)),
        empty: Some(time(19 * 60, 60)),
        print_ratio: 1.125,
        prints_learned: 4,
        print_ratio_cut_off: false,
    };
    ForecastView {
        at: NOON,
        lines: vec![line],
        jobs: vec![
            JobForecastView {
                copies: vec![copy],
                copies_left_out: 3,
                ..job(1, Some(TimeView::exactly(UnixMillis(NOON.0 - 60_000))), Some(time(90, 10)), None)
            },
            job(2, Some(time(90, 10)), Some(time(19 * 60, 60)), None),
            job(3, None, None, Some("job-held-for-release")),
            job(4, None, None, Some("too-far")),
        ],
        end: Some(time(19 * 60, 60)),
        jobs_without_figure: 2,
    }
}

async fn bench() -> Bench {
    let bench = Bench::open().await;
    let mut fake = bench.fake.lock().await;
    fake.show(busy_line("belt-1", Phase::Check));
    let begun = Job { started_at: Some(UnixMillis(NOON.0 - 60_000)), in_work: 1, ..a_job(2) };
    fake.add_job(Job { state: JobState::Processing, reason: JobReason::JobPrinting, ..begun }).await;
    fake.add_job(a_job(1)).await;
    fake.add_job(Job { state: JobState::PendingHeld, reason: JobReason::JobHeldForRelease, ..a_job(1) }).await;
    fake.add_job(a_job(9)).await;
    fake.foretell(a_forecast());
    drop(fake);
    bench
}

#[tokio::test]
async fn the_whole_forecast_tells_lines_and_jobs_without_their_copies() {
    let bench = bench().await;
    let reply = bench.read("/api/v1/forecast").await;
    assert_eq!(reply.status, 200);
    let json = reply.json();
    insta::assert_json_snapshot!(json["lines"], @r#"
    [
      {
        "empty": {
          "at": 1748833200000,
          "early": 1748829600000,
          "late": 1748836800000
        },
        "line": "belt-1",
        "part": {
          "at": 1748770200000,
          "early": 1748769600000,
          "late": 1748770800000
        },
        "print_ratio": 1.125,
        "print_ratio_cut_off": false,
        "prints_learned": 4
      }
    ]
    "#);
    // A job is told as it is alone, save for what stands above all of them.
    let mut alone = bench.read("/api/v1/jobs/1/forecast").await.json();
    let fields = alone.as_object_mut().expect("an object");
    for left_out in ["at", "copies", "copies_left_out"] {
        fields.remove(left_out).expect("told of a job alone");
    }
    assert_eq!(json["jobs"][0], alone);
    assert_eq!(json["jobs"][2]["reason"], "job-held-for-release");
    assert_eq!((&json["at"], &json["jobs_without_figure"]), (&NOON.0.into(), &2.into()));
    assert_eq!(json["end"]["late"], NOON.0 + 20 * 3_600_000);
}

#[tokio::test]
async fn a_job_is_foretold_copy_by_copy_and_phase_by_phase() {
    let bench = bench().await;
    insta::assert_json_snapshot!(bench.read("/api/v1/jobs/1/forecast").await.json(), @r#"
    {
      "at": 1748764800000,
      "copies": [
        {
          "copy": 2,
          "line": "belt-1",
          "phases": [
            {
              "end": {
                "at": 1748764860000,
                "early": 1748764560000,
                "late": 1748765160000
              },
              "phase": "advance",
              "start": {
                "at": 1748764800000,
                "early": 1748764800000,
                "late": 1748764800000
              },
              "waits_for_person": false
            },
            {
              "end": {
                "at": 1748770200000,
                "early": 1748769900000,
                "late": 1748770500000
              },
              "phase": "check",
              "start": {
                "at": 1748764860000,
                "early": 1748764860000,
                "late": 1748764860000
              },
              "waits_for_person": true
            }
          ]
        }
      ],
      "copies_left_out": 3,
      "end": {
        "at": 1748770200000,
        "early": 1748769600000,
        "late": 1748770800000
      },
      "job": 1,
      "reason": null,
      "start": {
        "at": 1748764740000,
        "early": 1748764740000,
        "late": 1748764740000
      }
    }
    "#);
    check_problem(&bench.read("/api/v1/jobs/77/forecast").await, 404, "about:blank");
    let (state, ended_at) = (JobState::Completed, Some(NOON));
    bench.fake.lock().await.add_job(Job { state, ended_at, completed: 1, ..a_job(1) }).await;
    let ended = bench.read("/api/v1/jobs/5/forecast").await;
    check_problem(&ended, 404, "about:blank");
    assert!(ended.text.contains("has ended"), "{}", ended.text);
}

#[tokio::test]
async fn the_page_says_when_the_part_and_each_job_is_done() {
    let bench = bench().await;
    let line = words(&bench.read("/parts/line/belt-1").await.text);
    let said = "This part is done about 09:30 UTC ( 09:20 UTC – 09:40 UTC ). \
                Queue empty about Mon 03:00 UTC ( Mon 02:00 UTC – Mon 04:00 UTC ). These times count on a person who answers.";
    assert!(line.contains(said), "{line}");
    let queue = words(&bench.read("/parts/queue").await.text);
    for said in [
        "All made about Mon 03:00 UTC ( Mon 02:00 UTC – Mon 04:00 UTC ), less 2 jobs for which no time can be told.",
        "a copy is being made Done about 09:30 UTC ( 09:20 UTC – 09:40 UTC )",
        "waits for its turn Starts about 09:30 UTC , done about Mon 03:00 UTC",
        "No time can be told: too many copies come before.",
    ] {
        assert!(queue.contains(said), "{said}: {queue}");
    }
    let raw = bench.read("/parts/queue").await.text;
    assert!(raw.contains(r#"<time datetime="2025-06-01T09:30:00Z" data-show="minute">09:30 UTC</time>"#), "{raw}");
}

#[tokio::test]
async fn a_line_whose_last_part_it_is_says_so_once_and_a_sensor_needs_nobody() {
    let bench = Bench::open().await;
    let mut forecast = a_forecast();
    forecast.lines[0].empty = forecast.lines[0].part;
    let mut fake = bench.fake.lock().await;
    fake.show(LineView { check: "switch".to_owned(), ..busy_line("belt-1", Phase::Print) });
    fake.foretell(forecast);
    drop(fake);
    let line = words(&bench.read("/parts/line/belt-1").await.text);
    assert!(line.contains("This part is done about 09:30 UTC"), "{line}");
    assert!(!line.contains("Queue empty") && !line.contains("If somebody"), "{line}");
}

#[tokio::test]
async fn without_a_forecast_nothing_is_said_of_what_is_to_come() {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(1)).await;
    let page = bench.read("/").await.text;
    assert!(!page.contains("class=\"due\""), "{page}");
    let none = bench.read("/api/v1/forecast").await.json();
    assert_eq!((&none["jobs"], &none["end"]), (&serde_json::json!([]), &serde_json::Value::Null));
    check_problem(&bench.read("/api/v1/jobs/1/forecast").await, 404, "about:blank");
}
