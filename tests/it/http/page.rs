//! The page and its parts, as text; how they look is seen in `tests/browser`.

use axum::body::Body;
use axum::http::Method;
use nosebar::foreman::{AlarmView, Command, JobCommand, LineCommand, LineView};
use nosebar::job::{AlarmKind, AlarmState, Finding, Job, JobReason, JobState, LineReason, LineState, PartWord, Phase};

use super::fake::{Bench, NOON, a_job, a_survey, asking_line, busy_line, idle_line, request};
use super::problems::check_problem;

/// The text between the tags, with one blank for each tag and blanks folded.
pub(super) fn words(html: &str) -> String {
    let mut text = String::new();
    for piece in html.split('<') {
        text.push(' ');
        text.push_str(piece.split_once('>').map_or(piece, |(_, after)| after));
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[tokio::test]
async fn the_page_says_what_the_line_does_what_it_waits_for_and_until_when() {
    let bench = Bench::open().await;
    bench.fake.lock().await.show(busy_line("belt-1", Phase::Cool));
    let page = bench.read("/").await;
    assert_eq!(page.status, 200);
    let text = words(&page.text);
    for part in [
        "Cooling: 47.2 °C, lets go at 32 °C",
        "Waits for the bed to fall to 32 °C. Gives up and holds at 08:26:00 UTC .",
        "tray-clip , copy 2 of 12",
        "Bed 47.2 °C, heater off",
        "Warm , done Print , done Cool , now Advance , to come Check , to come",
        "Hold after this part",
        "Hold now",
        "Travelled 12.346 m",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    assert!(page.text.contains(r#"<time datetime="2025-06-01T08:26:00Z""#), "{}", page.text);
    assert!(!text.contains("Resume"), "only what can be done now is offered");
}

#[tokio::test]
async fn a_question_comes_first_with_two_answers_and_what_each_will_do() {
    let bench = Bench::open().await;
    let mut fake = bench.fake.lock().await;
    fake.show(idle_line("belt-1"));
    fake.show(asking_line("belt-2"));
    drop(fake);
    let page = bench.read("/").await.text;
    let (first, second) = (page.find(r#"id="line-belt-2""#), page.find(r#"id="line-belt-1""#));
    assert!(first.expect("belt-2 is there") < second.expect("belt-1 is there"), "the asking line comes first");
    let text = words(&page);
    for part in [
        "You are needed Has the part left the belt?",
        "Yes, the belt is clear Counts the copy as made and begins the next one.",
        "No, it is still there Runs the belt back a little and forward once more.",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    assert!(page.contains("<title>You are needed: belt-2 · Held</title>"), "{page}");
}

#[tokio::test]
async fn what_is_not_normal_is_said_in_words() {
    let bench = Bench::open().await;
    let standing_word = Some("I know that nothing looks.".to_owned());
    let line =
        LineView { standing_word, connected: false, belt_uncertain_um: 5_000, ..busy_line("belt-1", Phase::Print) };
    bench.fake.lock().await.show(line);
    let part = words(&bench.read("/parts/line/belt-1").await.text);
    for words in [
        "No connection to the printer.",
        "Nothing checks this copy. The standing word of this line: I know that nothing looks.",
        "and 0.005 m that may have happened",
    ] {
        assert!(part.contains(words), "{words}: {part}");
    }
    let aborted = LineView { state: LineState::Aborted, reason: LineReason::PrinterReset, ..idle_line("belt-1") };
    bench.fake.lock().await.show(aborted);
    let part = words(&bench.read("/parts/line/belt-1").await.text);
    assert!(part.contains("belt-1: Aborted, the printer was reset with a cycle under way."), "{part}");
    check_problem(&bench.read("/parts/line/belt-7").await, 404, "about:blank");
}

#[tokio::test]
async fn an_alarm_says_what_is_wrong_what_follows_and_what_to_do_until_a_person_knows() {
    let bench = Bench::open().await;
    let alarm = |state| AlarmView {
        kind: AlarmKind::WarmsTooSlowly,
        state,
        raised: Some(NOON),
        name: "Bed warms too slowly".to_owned(),
        note: "at first within 5 min, and now not before 20 min".to_owned(),
        cause: "A heater that fails.".to_owned(),
        consequence: "The print begins later.".to_owned(),
        what_to_do: "Look at the heater.".to_owned(),
    };
    let show = async |state| {
        let line = LineView { alarms: vec![alarm(state)], ..busy_line("belt-1", Phase::Warm) };
        bench.fake.lock().await.show(line);
        bench.read("/parts/line/belt-1").await.text
    };
    let part = words(&show(AlarmState::Unacknowledged).await);
    for said in [
        "Alarm: Bed warms too slowly , goes on, since",
        "at first within 5 min, and now not before 20 min.",
        "Look at the heater.",
        "Likely cause: A heater that fails.",
        "What follows: The print begins later.",
        "I know: Bed warms too slowly",
    ] {
        assert!(part.contains(said), "{said}: {part}");
    }
    assert!(show(AlarmState::Unacknowledged).await.contains("class=\"line abnormal\""));
    let known = show(AlarmState::Acknowledged).await;
    assert!(known.contains("goes on, acknowledged") && !known.contains("I know:"), "{known}");
    assert!(known.contains("class=\"line calm\""), "{known}");
    assert!(show(AlarmState::ReturnedUnacknowledged).await.contains("is over, not acknowledged yet"));
}

#[tokio::test]
async fn the_queue_says_why_each_job_waits_and_shows_what_a_person_must_read() {
    let bench = Bench::open().await;
    let mut fake = bench.fake.lock().await;
    let (state, reason) = (JobState::PendingHeld, JobReason::JobHeldForReview);
    let mut survey = a_survey();
    let text = "M0 stops and waits for a person".to_owned();
    survey.concerns = vec![Finding { code: "stop-and-wait".to_owned(), line: 812, text }];
    fake.add_job_of(Job { state, reason, ..a_job(6) }, &survey).await;
    let (state, reason) = (JobState::Completed, JobReason::JobCompletedWithWarnings);
    let made = Job { state, reason, completed: 5, unchecked: 3, ended_at: Some(NOON), ..a_job(5) };
    fake.add_job(made).await;
    let (state, reason) = (JobState::Canceled, JobReason::JobCanceledByOperator);
    fake.add_job(Job { state, reason, completed: 2, ended_at: Some(NOON), ..a_job(5) }).await;
    drop(fake);
    let queue = words(&bench.read("/parts/queue").await.text);
    assert!(queue.contains("0 of 6 made, 6 waiting"), "{queue}");
    assert!(queue.contains("You are needed: held until a person has read what was found in the file"), "{queue}");
    assert!(queue.contains("line 812: M0 stops and waits for a person"), "{queue}");
    assert!(queue.contains("I have read it: release tray-clip"), "{queue}");
    let ended = words(&bench.read("/parts/ended").await.text);
    assert!(ended.contains("nothing checked 3 of the copies that were made"), "{ended}");
    assert!(
        ended
            .contains("2 of 5 made, 3 not begun canceled by a person, 2025-06-01 08:00 UTC Job 3, petg Undo: put it back tray-clip"),
        "{ended}"
    );
    assert!(ended.contains("Make the rest of tray-clip Copies … tray-clip"), "{ended}");
}

#[tokio::test]
async fn hostile_names_are_shown_harmlessly() {
    let bench = Bench::open().await;
    let long = "x".repeat(4_000);
    let names = ["<script>alert(1)</script>", "\u{202e}gnp.edocg", "\"><img src=x onerror=alert(1)>", &long];
    for name in names {
        bench.fake.lock().await.add_job(Job { name: name.to_owned(), note: name.into(), ..a_job(1) }).await;
        bench.fake.lock().await.note("state", None, name).await;
    }
    let page = bench.read("/").await.text;
    assert!(!page.contains("<script>alert") && !page.contains("<img"), "{page}");
    assert!(page.contains("&#60;script&#62;alert(1)&#60;/script&#62;"), "{page}");
    // Text that runs the other way stays inside its own element.
    assert!(page.contains("<bdi>\u{202e}gnp.edocg</bdi>"), "{page}");
    assert_eq!(bench.read("/api/v1/jobs/2").await.json()["name"], names[1]);
}

#[tokio::test]
async fn every_button_reaches_the_foreman_and_leads_back_to_the_page() {
    let bench = Bench::open().await;
    bench.fake.lock().await.show(asking_line("belt-1"));
    bench.fake.lock().await.add_job(a_job(2)).await;
    let since = format!("since={}", NOON.0);
    let scrap = format!("{since}&part=scrap");
    let cases = [
        ("not-clear", since.as_str(), LineCommand::NotClear),
        ("hold-now", "", LineCommand::HoldNow),
        ("hold-after-part", "", LineCommand::HoldAfterPart),
        ("stop", "", LineCommand::Stop),
        ("emergency-stop", "", LineCommand::EmergencyStop),
        ("resume", "", LineCommand::Resume),
        ("acknowledge", "alarm=warms-too-slowly", LineCommand::Acknowledge(AlarmKind::WarmsTooSlowly)),
        ("belt-clear", scrap.as_str(), LineCommand::BeltClear { part: Some(PartWord::Scrap) }),
    ];
    for (path, fields, expected) in cases {
        bench.fake.lock().await.show(asking_line("belt-1"));
        let reply = bench.post_form(&format!("/do/lines/belt-1/{path}"), fields).await;
        assert_eq!((reply.status.as_u16(), reply.header("location")), (303, "/#line-belt-1"), "{}", reply.text);
        let asked = bench.fake.lock().await.asked.pop();
        assert!(matches!(&asked, Some(Command::Line { what, .. }) if *what == expected), "{asked:?}");
    }
    for (path, expected) in [
        ("move-up", JobCommand::MoveUp),
        ("move-down", JobCommand::MoveDown),
        ("hold", JobCommand::Hold),
        ("release", JobCommand::Release),
        ("cancel", JobCommand::Cancel),
    ] {
        let reply = bench.post_form(&format!("/do/jobs/1/{path}"), "").await;
        assert_eq!((reply.status.as_u16(), reply.header("location")), (303, "/#job-1"), "{}", reply.text);
        let asked = bench.fake.lock().await.asked.pop();
        assert!(matches!(&asked, Some(Command::Job { what, .. }) if *what == expected), "{asked:?}");
    }
    let rest = bench.post_form("/do/jobs/1/make-rest", "").await;
    assert_eq!(rest.header("location"), "/#job-2");
    assert_eq!(bench.post_form("/do/jobs/1/explode", "").await.status, 404);
    assert_eq!(bench.post_form("/do/lines/belt-1/explode", "").await.status, 404);
}

#[tokio::test]
async fn an_answer_from_a_page_that_is_out_of_date_is_refused() {
    let bench = Bench::open().await;
    bench.fake.lock().await.show(asking_line("belt-1"));
    let reply = bench.post_form("/do/lines/belt-1/belt-clear", "since=1").await;
    assert_eq!(reply.status, 412);
    assert!(words(&reply.text).contains("Somebody changed it first"), "{}", reply.text);
    assert_eq!(bench.read("/api/v1/lines/belt-1").await.json()["belt_clear"], false);
}

#[tokio::test]
async fn embedded_files_are_kept_by_their_tag() {
    let bench = Bench::open().await;
    let page = bench.read("/").await.text;
    for (name, kind) in [
        ("page.css", "text/css"),
        ("proof.css", "text/css"),
        ("live.js", "text/javascript"),
        ("upload.js", "text/javascript"),
        ("icon.svg", "image/svg+xml"),
    ] {
        let (_, rest) = page.split_once(&format!("/static/{name}?")).expect("the page asks for it");
        let (tag, _) = rest.split_once('"').expect("an attribute");
        let path = format!("/static/{name}?{tag}");
        let first = bench.read(&path).await;
        assert!(first.header("content-type").starts_with(kind));
        assert!(first.header("cache-control").contains("immutable"));
        let etag = first.header("etag").to_owned();
        assert_eq!(etag, format!("\"{tag}\""));
        let again = bench.send(request(Method::GET, &path, &[("if-none-match", &etag)], Body::empty())).await;
        assert_eq!((again.status.as_u16(), again.text.as_str()), (304, ""));
    }
    check_problem(&bench.read("/static/secret").await, 404, "about:blank");
    check_problem(&bench.read("/static/..%2f..%2fCargo.toml").await, 404, "about:blank");
}

#[tokio::test]
async fn without_scripts_the_page_loads_itself_anew_unless_told_to_keep_still() {
    let bench = Bench::open().await;
    let refresh = r#"<noscript><meta http-equiv="refresh" content="15"></noscript>"#;
    assert!(bench.read("/").await.text.contains(refresh));
    assert!(!bench.read("/?still").await.text.contains(refresh));
}

/// The page, its style sheets and its scripts: little enough for a phone in a garden.
#[tokio::test]
async fn the_first_load_is_below_fifty_kilobytes() {
    let bench = Bench::open().await;
    bench.fake.lock().await.show(busy_line("belt-1", Phase::Print));
    for _ in 0..5 {
        bench.fake.lock().await.add_job(a_job(3)).await;
    }
    let page = bench.read("/").await.text;
    let loaded = page.split('"').filter(|piece| piece.starts_with("/static/") && !piece.contains(".png"));
    let mut paths: Vec<&str> = loaded.chain(["/", "/api/v1/lines"]).collect();
    paths.sort_unstable();
    paths.dedup();
    assert!(paths.len() >= 7, "{paths:?}");
    let mut bytes = 0;
    for path in paths {
        let asked = request(Method::GET, path, &[("accept-encoding", "gzip")], Body::empty());
        let answer = tower::ServiceExt::oneshot(bench.routes(), asked).await.expect("routes do not fail");
        bytes += axum::body::to_bytes(answer.into_body(), 1 << 20).await.expect("a body").len();
    }
    // Heads of answers, and a picture of the part, come on top.
    assert!(bytes < 30_000, "{bytes} bytes");
}
