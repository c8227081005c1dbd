//! Commissioning over HTTP: for programs, and as forms.

use axum::http::Method;
use nosebar::foreman::{
    Command, HeatRunView, Jog, JogWhile, LineCommand, LineView, Measured, RefusedCode, Topic, Toward, TrialView,
    WriteWord,
};
use nosebar::units::Micrometres;
use serde_json::json;

use super::fake::{Bench, idle_line, no};
use super::problems::check_problem;

async fn asked(bench: &Bench) -> Command {
    bench.fake.lock().await.asked.pop().expect("something was asked")
}

async fn line_command(bench: &Bench) -> LineCommand {
    match asked(bench).await {
        Command::Line { name, what, .. } if name.as_str() == "belt-1" => what,
        other => panic!("{other:?} is not for the line"),
    }
}

async fn measured(bench: &Bench) -> Measured {
    match asked(bench).await {
        Command::Commission { line, measured } if line.as_str() == "belt-1" => *measured,
        other => panic!("{other:?} is no measurement"),
    }
}

const JOG: Jog = Jog { travel: Micrometres(-12_500), feed_mm_min: 600, looked: true, although_warm: false };

#[tokio::test]
async fn programs_jog_heat_and_end() {
    let bench = Bench::open().await;
    let post =
        async |path: &str, body| bench.send_json(Method::POST, &format!("/api/v1/lines/belt-1/{path}"), &body).await;
    assert_eq!(post("jog", json!({ "mm": -12.5, "feed_mm_min": 600, "looked": true })).await.status, 200);
    assert_eq!(line_command(&bench).await, LineCommand::Jog(JOG));
    assert_eq!(post("heat-trial", json!({ "bed_c": 60 })).await.status, 200);
    assert_eq!(line_command(&bench).await, LineCommand::HeatTrial { bed_c: 60, looked: false });
    assert_eq!(post("end-trial", json!({})).await.status, 200);
    assert_eq!(line_command(&bench).await, LineCommand::EndTrial);
    assert_eq!(post("jog", json!({ "mm": 10, "feed_mm_min": -1 })).await.status, 422);
    assert_eq!(post("jog", json!({ "mm": 10, "feed_mm_min": 600, "fast": true })).await.status, 422);
    assert!(bench.fake.lock().await.asked.is_empty());
    let unknown =
        bench.send_json(Method::POST, "/api/v1/lines/belt-9/jog", &json!({ "mm": 1, "feed_mm_min": 1 })).await;
    check_problem(&unknown, 404, "about:blank");
}

#[tokio::test]
async fn programs_read_the_guide_and_have_figures_worked_out() {
    let bench = Bench::open().await;
    let guide = bench.read("/api/v1/lines/belt-1/commission").await.json();
    assert_eq!(guide["guide"].as_array().expect("steps").len(), 7);
    assert_eq!(guide["guide"][0]["topic"], "ratio");
    assert_eq!(
        guide["guide"][0]["inputs"][4],
        json!({ "key": "roller_mm", "label": "Roller diameter", "kind": "number", "unit": "mm", "min": 1.0, "max": 500.0, "usual": null, "optional": false })
    );
    assert_eq!(guide["trial"]["units_per_mm"], 1.5);
    let body = json!({ "topic": "measure", "values": { "commanded_mm": 100, "measured_mm": 75 } });
    let found = bench.send_json(Method::POST, "/api/v1/lines/belt-1/commission", &body).await;
    assert_eq!((found.status.as_u16(), &found.json()["written"]), (200, &json!(false)));
    assert_eq!(measured(&bench).await.write, None);
}

#[tokio::test]
async fn a_jog_form_leads_back_to_its_step_and_a_refusal_is_told() {
    let bench = Bench::open().await;
    let fields = "mm=-12%2C5&feed_mm_min=600&looked=true&back=measure";
    let reply = bench.post_form("/do/lines/belt-1/jog", fields).await;
    assert_eq!(
        (reply.status.as_u16(), reply.header("location")),
        (303, "/lines/belt-1/commission/measure#line-belt-1")
    );
    assert_eq!(line_command(&bench).await, LineCommand::Jog(JOG));
    let reply = bench.post_form("/do/lines/belt-1/jog", "mm=ten&feed_mm_min=600").await;
    assert_eq!(reply.status, 422);
    let loop_form = "mm=10&feed_mm_min=600&back=loop&from_um=12000000";
    let reply = bench.post_form("/do/lines/belt-1/jog", loop_form).await;
    assert_eq!(reply.header("location"), "/lines/belt-1/commission/loop?from_um=12000000#line-belt-1");
    let reply = bench.post_form("/do/lines/belt-1/splice-mark", "back=splice").await;
    assert_eq!(reply.header("location"), "/lines/belt-1/commission/splice#line-belt-1");
    assert_eq!(line_command(&bench).await, LineCommand::SpliceAtNose);
    bench.fake.lock().await.refuses = Some(no(RefusedCode::Conflict, "the bed is 50 °C"));
    let reply = bench.post_form("/do/lines/belt-1/heat-trial", "bed_c=60&looked=true&back=heat").await;
    assert_eq!(reply.status, 409);
    assert!(reply.text.contains("the bed is 50 °C"), "{}", reply.text);
}

#[tokio::test]
async fn every_step_is_a_page_with_its_cautions_and_its_neighbours() {
    let bench = Bench::open().await;
    let overview = bench.read("/lines/belt-1/commission").await;
    assert_eq!(overview.status, 200);
    for topic in Topic::ALL {
        let address = format!("/lines/belt-1/commission/{}", topic.as_str());
        assert!(overview.text.contains(&format!("href=\"{address}\"")), "{address}");
        let page = bench.read(&address).await;
        assert_eq!(page.status, 200, "{}", page.text);
        for part in ["What to look at", "What can hurt you", nosebar::foreman::leg(topic).title] {
            assert!(page.text.contains(part), "{part}: {}", page.text);
        }
        for neighbour in [topic.next(), topic.back()].into_iter().flatten() {
            assert!(page.text.contains(&format!("href=\"/lines/belt-1/commission/{}\"", neighbour.as_str())));
        }
    }
    assert_eq!(bench.read("/lines/belt-1/commission/kitchen").await.status, 404);
    assert_eq!(bench.read("/lines/belt-9/commission/ratio").await.status, 404);
    assert!(bench.fake.lock().await.asked.is_empty(), "looking asks for nothing");
    assert!(bench.read("/").await.text.contains("href=\"/lines/belt-1/commission\""));
}

#[tokio::test]
async fn what_was_worked_out_is_shown_with_old_and_new_and_written_by_a_form_of_its_own() {
    let bench = Bench::open().await;
    let page = bench.read("/lines/belt-1/commission/measure?commanded_mm=100&measured_mm=75").await.text;
    let told = measured(&bench).await;
    assert_eq!((told.topic, told.values["measured_mm"], &told.write), (Topic::Measure, 75.0, &None));
    for part in [
        "Asked for 100 mm, ran 75 mm.",
        "<bdi>1.5</bdi> becomes <strong>2.0</strong>",
        "name=\"read_as\" value=\"0123abcd\"",
        "name=\"measured_mm\" value=\"75\"",
        "Replace the value that somebody wrote",
    ] {
        assert!(page.contains(part), "{part}: {page}");
    }
    let fields = "commanded_mm=100&measured_mm=75&read_as=0123abcd&may_replace=true";
    let reply = bench.post_form("/do/lines/belt-1/commission/measure", fields).await;
    assert_eq!((reply.status.as_u16(), reply.header("location")), (303, "/lines/belt-1/commission/measure?written"));
    let word = WriteWord { may_replace: true, read_as: Some("0123abcd".to_owned()) };
    assert_eq!(measured(&bench).await.write, Some(word));
    bench.post_form("/do/lines/belt-1/commission/measure", "commanded_mm=100&measured_mm=75&read_as=0123abcd").await;
    assert!(!measured(&bench).await.write.expect("a word").may_replace, "an empty box is no word");
    let page = bench.read("/lines/belt-1/commission/measure?written").await.text;
    assert!(page.contains("when the daemon is started again"), "{page}");
}

#[tokio::test]
async fn what_cannot_be_is_said_beside_the_fields_with_what_was_entered() {
    let bench = Bench::open().await;
    bench.fake.lock().await.refuses = Some(no(RefusedCode::Invalid, "off by a factor of <b>9</b>; measure again"));
    let page = bench.read("/lines/belt-1/commission/measure?commanded_mm=100&measured_mm=11").await;
    assert_eq!(page.status, 200);
    assert!(page.text.contains("off by a factor of &#60;b&#62;9"), "{}", page.text);
    assert!(page.text.contains("value=\"11\""));
    assert!(!page.text.contains("Write it into the config"));
    let page = bench.read("/lines/belt-1/commission/measure?commanded_mm=%22%3E%3Cscript%3E&measured_mm=11").await;
    assert!(page.text.contains("it must be a number") && !page.text.contains("><script>"), "{}", page.text);
}

#[tokio::test]
async fn a_run_of_the_heater_and_the_way_since_the_mark_are_shown_as_they_are_now() {
    let bench = Bench::open().await;
    let heat_run = Some(HeatRunView {
        target_c: 60.0,
        stage: "ended".to_owned(),
        samples: 812,
        ambient_c: Some(21.46),
        time_constant_s: Some(812.4),
    });
    let trial = TrialView { heat_run, ..TrialView::default() };
    let commands = vec!["end-trial".to_owned()];
    bench.fake.lock().await.show(LineView { trial, commands, ..idle_line("belt-1") });
    let part = bench.read("/parts/trial/belt-1?from_um=12000000").await.text;
    for words in ["ended, 812 readings", "21.5 °C", "812 s", "345.678 mm", "End it now"] {
        assert!(part.contains(words), "{words}: {part}");
    }
}

#[tokio::test]
async fn programs_hold_a_button_and_let_it_go() {
    let bench = Bench::open().await;
    let post =
        async |path: &str, body| bench.send_json(Method::POST, &format!("/api/v1/lines/belt-1/{path}"), &body).await;
    let held = json!({ "toward": "tail", "feed_mm_min": 600, "looked": true, "press": 9_007_199_254_740_991_u64 });
    assert_eq!(post("jog-while", held.clone()).await.json()["name"], "belt-1");
    let press = 9_007_199_254_740_991;
    let asked = JogWhile { toward: Toward::Tail, feed_mm_min: 600, looked: true, although_warm: false, press };
    assert_eq!(line_command(&bench).await, LineCommand::JogWhile(asked));
    assert_eq!(post("let-go", json!({ "press": 7 })).await.status, 200);
    assert_eq!(line_command(&bench).await, LineCommand::JogLetGo { press: 7 });
    for (key, value) in [("toward", json!("up")), ("press", json!(-1)), ("feed_mm_min", json!(1.5)), ("mm", json!(3))] {
        let mut wrong = held.clone();
        wrong[key] = value;
        assert_eq!(post("jog-while", wrong).await.status, 422, "{key}");
    }
    assert_eq!(post("let-go", json!({})).await.status, 422);
    assert!(bench.fake.lock().await.asked.is_empty());
    bench.fake.lock().await.refuses = Some(no(RefusedCode::Conflict, "this press is over"));
    check_problem(&post("jog-while", held).await, 409, "/problems/not-in-this-state");
}

#[tokio::test]
async fn a_held_button_is_given_up_when_the_foreman_does_not_come_to_it() {
    let bench = Bench::open().await;
    let busy = bench.fake.lock().await;
    let body = json!({ "toward": "nose", "feed_mm_min": 600, "press": 1 });
    let late = bench.send_json(Method::POST, "/api/v1/lines/belt-1/jog-while", &body).await;
    check_problem(&late, 503, "/problems/busy");
    drop(busy);
}
