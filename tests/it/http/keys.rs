//! `/keys` and `/api/v1/keys`: keys are listed, made, named and revoked.

use axum::body::Body;
use axum::http::Method;
use nosebar::job::Rights;
use serde_json::{Value, json};

use super::fake::{Bench, NOON, Reply, request};
use super::problems::check_problem;

async fn send(bench: &Bench, key: &str, method: Method, path: &str, body: &Value) -> Reply {
    let key = format!("Bearer {key}");
    let mut headers = vec![("authorization", key.as_str()), ("host", "192.168.0.20:8017")];
    if body.is_null() {
        return bench.send(request(method, path, &headers, Body::empty())).await;
    }
    headers.push(("content-type", "application/json"));
    bench.send(request(method, path, &headers, Body::from(body.to_string()))).await
}

#[tokio::test]
async fn a_key_is_made_listed_renamed_and_revoked() {
    let mut bench = Bench::open().await;
    let first = bench.keyed(Rights::Operate).await;
    let body = json!({ "name": "shed", "rights": "watch" });
    let made = send(&bench, &first, Method::POST, "/api/v1/keys", &body).await;
    assert_eq!(made.status, 201, "{}", made.text);
    let made = made.json();
    let secret = made["key"].as_str().expect("the key itself").to_owned();
    assert_eq!(secret.len(), 32);
    assert_eq!(made["address"], format!("http://192.168.0.20:8017/key/{secret}"));
    assert_eq!(send(&bench, &secret, Method::GET, "/api/v1/lines", &Value::Null).await.status, 200);

    let renamed = send(&bench, &first, Method::PATCH, "/api/v1/keys/2", &json!({ "name": " workshop " })).await;
    assert_eq!((renamed.status.as_u16(), &renamed.json()["name"]), (200, &json!("workshop")));
    let listed = send(&bench, &first, Method::GET, "/api/v1/keys", &Value::Null).await;
    assert!(!listed.text.contains(&secret) && !listed.text.contains("hash"), "{}", listed.text);
    let second = json!({ "id": 2, "name": "workshop", "rights": "watch", "made_at": NOON.0, "revoked_at": null });
    let mut found = listed.json()["keys"][1].clone();
    found.as_object_mut().expect("an object").remove("last_used").expect("the hour of use");
    assert_eq!(found, second);

    let revoked = send(&bench, &first, Method::POST, "/api/v1/keys/2/revoke", &Value::Null).await;
    assert_eq!((revoked.status.as_u16(), &revoked.json()["revoked_at"]), (200, &json!(NOON.0)), "{}", revoked.text);
    let shut_out = send(&bench, &secret, Method::GET, "/api/v1/lines", &Value::Null).await;
    check_problem(&shut_out, 401, "/problems/no-key");
    let again = send(&bench, &first, Method::POST, "/api/v1/keys/2/revoke", &Value::Null).await;
    check_problem(&again, 409, "/problems/not-in-this-state");
    check_problem(&send(&bench, &first, Method::POST, "/api/v1/keys/9/revoke", &Value::Null).await, 404, "about:blank");
    check_problem(&send(&bench, &first, Method::POST, "/api/v1/keys/x/revoke", &Value::Null).await, 404, "about:blank");
}

#[tokio::test]
async fn the_last_key_that_operates_is_kept_unless_it_is_said() {
    let mut bench = Bench::open().await;
    let first = bench.keyed(Rights::Operate).await;
    let path = "/api/v1/keys/1/revoke";
    for body in [Value::Null, json!({}), json!({ "although_last": false })] {
        let reply = send(&bench, &first, Method::POST, path, &body).await;
        check_problem(&reply, 409, "/problems/not-in-this-state");
        assert!(reply.text.contains("although_last"), "{}", reply.text);
    }
    let page = send(&bench, &first, Method::GET, "/keys", &Value::Null).await;
    assert!(page.text.contains("name=\"although_last\""), "{}", page.text);
    let reply = send(&bench, &first, Method::POST, path, &json!({ "although_last": true })).await;
    assert_eq!(reply.status, 200, "{}", reply.text);
}

#[tokio::test]
async fn names_are_of_any_script_and_harmless_and_not_endless() {
    let bench = Bench::open().await;
    for name in ["../x", "<script>alert(1)</script>", "\u{202e}enohp", "a\"b'c&d"] {
        let reply = bench.send_json(Method::POST, "/api/v1/keys", &json!({ "name": name, "rights": "watch" })).await;
        assert_eq!((reply.status.as_u16(), &reply.json()["name"]), (201, &json!(name)), "{}", reply.text);
    }
    let page = bench.read("/keys").await.text;
    assert!(!page.contains("<script>alert") && page.contains("<bdi>&#60;script&#62;alert(1)"), "{page}");
    assert!(page.contains("<bdi>\u{202e}enohp</bdi>"), "{page}");
    for name in ["", "   ", &"x".repeat(61), &"x".repeat(4000), "a\u{0}b", "a\nb", "a\u{1b}[2Jb"] {
        let body = json!({ "name": name, "rights": "watch" });
        check_problem(&bench.send_json(Method::POST, "/api/v1/keys", &body).await, 422, "/problems/invalid-value");
    }
    let strange = json!({ "name": "x", "rights": "own" });
    check_problem(&bench.send_json(Method::POST, "/api/v1/keys", &strange).await, 422, "about:blank");
}

#[tokio::test]
async fn the_page_makes_a_key_and_shows_it_once_with_a_code() {
    let bench = Bench::open().await;
    let made = bench.post_form("/do/keys/make", "name=phone&rights=operate").await;
    assert_eq!(made.status, 200, "{}", made.text);
    let address = made.text.split("<bdi>http://127.0.0.1:8017/key/").nth(1).expect("an address");
    let secret = address.split('<').next().expect("a key");
    assert_eq!(secret.len(), 32);
    assert!(made.text.contains("<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 "), "{}", made.text);
    assert!(!made.text.contains("style=") && !made.text.contains("<style"));
    assert!(made.text.split("<script ").skip(1).all(|script| script.contains("src=\"/static/")), "{}", made.text);
    assert!(!made.text.contains("<script>"), "{}", made.text);
    assert_eq!(made.header("cache-control"), "no-store");
    let page = bench.read("/keys").await.text;
    assert!(page.contains("<bdi>phone</bdi>") && !page.contains(secret), "{page}");

    let renamed = bench.post_form("/do/keys/1/rename", "name=tablet").await;
    assert_eq!((renamed.status.as_u16(), renamed.header("location")), (303, "/keys#key-1"));
    // Where nobody is asked for a key, the last one is like any other.
    let revoked = bench.post_form("/do/keys/1/revoke", "").await;
    assert_eq!((revoked.status.as_u16(), revoked.header("location")), (303, "/keys"));
    let page = bench.read("/keys").await.text;
    assert!(page.contains("There is no key.") && page.contains("<bdi>tablet</bdi>, "), "{page}");
    let no = bench.post_form("/do/keys/1/rename", "name=again").await;
    assert_eq!(no.status, 409);
    assert!(no.text.contains("was revoked"), "{}", no.text);
}

#[tokio::test]
async fn whoever_sits_at_the_machine_sends_the_phone_to_an_address_that_it_can_reach() {
    let mut bench = Bench::open().await;
    bench.desk = bench.desk.clone().with_base("http://192.168.0.20:8017".to_owned());
    let body = json!({ "name": "phone", "rights": "operate" });
    let made = bench.send_json(Method::POST, "/api/v1/keys", &body).await.json();
    assert!(made["address"].as_str().expect("an address").starts_with("http://192.168.0.20:8017/key/"), "{made}");
}
