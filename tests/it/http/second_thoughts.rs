//! A person thinks better of a cancel or of a part; the daemon may have died in between.

use axum::body::Body;
use axum::http::Method;
use serde_json::{Value, json};

use super::house::House;

async fn show(house: &House, id: i64) -> Value {
    house.send(Method::GET, &format!("/api/v1/jobs/{id}"), "\"read\"", Body::empty()).await.1
}

#[tokio::test]
async fn a_canceled_job_comes_back_held_as_it_was_but_not_without_its_file() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let house = House::open(dir.path()).await;
    house.upload("u", "&copies=3").await;
    let (status, job) = house.post("/api/v1/jobs/1/cancel", "c1", &Value::Null).await;
    assert_eq!((status.as_u16(), &job["state"]), (200, &json!("canceled")));
    house.die().await;
    let house = House::open(dir.path()).await;
    let (status, job) = house.post("/api/v1/jobs/1/restore", "r1", &Value::Null).await;
    assert_eq!(
        (status.as_u16(), &job["state"], &job["reason"]),
        (200, &json!("pending-held"), &json!("job-held-for-release"))
    );
    assert_eq!((&job["ended_at"], &job["copies_waiting"]), (&Value::Null, &json!(3)));
    house.post("/api/v1/jobs/1/cancel", "c2", &Value::Null).await;
    let hash = job["sha256"].as_str().expect("a hash");
    std::fs::remove_file(dir.path().join("files").join(format!("{hash}.gcode"))).expect("it lies there");
    let (status, problem) = house.post("/api/v1/jobs/1/restore", "r2", &Value::Null).await;
    assert_eq!(status, 409, "{problem}");
    assert_eq!(problem["detail"], "the file of job 1 is gone; send it again as a new job");
    assert_eq!(show(&house, 1).await["state"], "canceled");
    house.die().await;
}

#[tokio::test]
async fn a_canceled_job_whose_rest_is_made_by_another_does_not_come_back() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let house = House::open(dir.path()).await;
    house.upload("u", "").await;
    house.post("/api/v1/jobs/1/cancel", "c", &Value::Null).await;
    let offered = async |what: &str| house.page("/jobs/1").await.contains(&format!("/do/jobs/1/{what}"));
    assert!(offered("restore").await && offered("make-rest").await);
    house.post("/api/v1/jobs/1/make-rest", "m", &Value::Null).await;
    assert!(!offered("restore").await && !offered("make-rest").await, "what would be refused is not offered");
    let (status, problem) = house.post("/api/v1/jobs/1/restore", "r", &Value::Null).await;
    assert_eq!(status, 409, "{problem}");
    assert_eq!(problem["detail"], "job 2 makes the rest of job 1; change or release that one");
    house.die().await;
}

#[tokio::test]
async fn a_copy_that_no_job_has_is_not_judged() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let house = House::open(dir.path()).await;
    house.upload("u", "").await;
    let (status, problem) = house.post("/api/v1/jobs/1/cycles/9/judge", "j", &json!({ "part": "scrap" })).await;
    assert_eq!((status.as_u16(), &problem["detail"]), (404, &json!("job 1 has no cycle 9")));
    house.die().await;
}
