//! Forms about a job that have fields, as a browser without scripts sends them.

use nosebar::foreman::{Command, JobCommand, JobPatch};
use nosebar::job::{CycleId, JobId, PartWord};

use super::fake::{Bench, Reply, a_job};
use super::page::words;

async fn open() -> Bench {
    let bench = Bench::open().await;
    bench.fake.lock().await.add_job(a_job(12)).await;
    bench.fake.lock().await.add_job(a_job(3)).await;
    bench
}

async fn check(bench: &Bench, reply: &Reply, expected: (JobCommand, Option<i64>)) {
    assert_eq!((reply.status.as_u16(), reply.header("location")), (303, "/#job-2"), "{}", reply.text);
    let asked = bench.fake.lock().await.asked.pop();
    let Some(Command::Job { what, if_version, .. }) = asked else { panic!("{asked:?} is not for a job") };
    assert_eq!((what, if_version), expected);
}

#[tokio::test]
async fn a_place_in_the_queue_is_before_a_job_or_at_the_end() {
    let bench = open().await;
    for (fields, before) in [("before=1", Some(JobId(1))), ("before=", None), ("", None)] {
        let reply = bench.post_form("/do/jobs/2/move-before", fields).await;
        check(&bench, &reply, (JobCommand::MoveBefore(before), None)).await;
    }
    assert_eq!(bench.post_form("/do/jobs/2/move-before", "before=first").await.status, 404);
    assert_eq!(bench.post_form("/do/jobs/2/move-before", "before=9").await.status, 409);
}

#[tokio::test]
async fn a_copy_is_good_or_scrap() {
    let bench = open().await;
    for (fields, part) in [("part=good", PartWord::Good), ("part=scrap", PartWord::Scrap)] {
        let reply = bench.post_form("/do/jobs/2/cycles/7/judge", fields).await;
        check(&bench, &reply, (JobCommand::Judge { cycle: CycleId(7), part }, None)).await;
    }
    assert_eq!(bench.post_form("/do/jobs/2/cycles/7/judge", "part=fine").await.status, 422);
    assert_eq!(bench.post_form("/do/jobs/2/cycles/x/judge", "part=good").await.status, 404);
}

#[tokio::test]
async fn empty_fields_leave_copies_and_name_and_take_the_rest_away() {
    let bench = open().await;
    let fields = "copies=&name=+&material=&release_c=&line=&version=1";
    let reply = bench.post_form("/do/jobs/2/change", fields).await;
    let cleared = JobPatch {
        material: Some(Some(String::new())),
        release_c: Some(None),
        line: Some(Some(String::new())),
        ..JobPatch::default()
    };
    check(&bench, &reply, (JobCommand::Patch(cleared), Some(1))).await;
    let reply = bench.post_form("/do/jobs/2/change", "copies=7&name=stake&release_c=31,5").await;
    let changed = JobPatch {
        copies: Some(7),
        name: Some("stake".to_owned()),
        release_c: Some(Some(31.5)),
        ..JobPatch::default()
    };
    check(&bench, &reply, (JobCommand::Patch(changed), None)).await;
}

#[tokio::test]
async fn a_form_of_an_older_version_changes_nothing_and_says_why() {
    let bench = open().await;
    bench.post_form("/do/jobs/2/change", "copies=7&version=1").await;
    let reply = bench.post_form("/do/jobs/2/change", "copies=8&version=1").await;
    assert_eq!(reply.status, 412);
    assert!(words(&reply.text).contains("Somebody changed it first"), "{}", reply.text);
    assert_eq!(bench.read("/api/v1/jobs/2").await.json()["copies"], 7);
}

#[tokio::test]
async fn fields_that_cannot_be_read_are_named() {
    let bench = open().await;
    for (fields, sentence) in [
        ("copies=many", "copies is \"many\", expected a whole number"),
        ("copies=-1", "copies is \"-1\", expected a whole number"),
        ("release_c=warm", "release_c is \"warm\", expected a temperature in °C"),
        ("version=new", "version is \"new\", expected a whole number"),
    ] {
        let reply = bench.post_form("/do/jobs/2/change", fields).await;
        assert_eq!(reply.status, 422, "{fields}");
        assert!(reply.text.replace("&#34;", "\"").contains(sentence), "{sentence}: {}", reply.text);
    }
    assert!(bench.fake.lock().await.asked.is_empty());
}
