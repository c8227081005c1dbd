//! Law L11 from outside: who gets in by which key, and how a device hands one in.

use std::net::SocketAddr;

use axum::body::Body;
use axum::extract::ConnectInfo;
use axum::http::{Method, Request, StatusCode};
use nosebar::foreman::{Command, KeyCommand};
use nosebar::job::{KeyId, Rights};
use tower::ServiceExt;

use super::events::listening;
use super::fake::{Bench, Reply, a_job, request};
use super::problems::check_problem;
use super::routes::{changing, filled, is_open, routes};

type Header<'a> = (&'a str, &'a str);

/// A request from some other machine of its own: failures of one must not be put down to another.
fn from_machine(number: u32, method: &str, path: &str, headers: &[Header<'_>]) -> Request<Body> {
    let headers: Vec<_> = headers.iter().copied().chain([("content-type", "application/json")]).collect();
    let mut request = request(method.parse().expect("a method"), path, &headers, Body::from("{}"));
    let address = std::net::Ipv4Addr::from(0x0a00_0000 + number);
    request.extensions_mut().insert(ConnectInfo(SocketAddr::from((address, 40_000))));
    request
}

/// The status alone: some answers have no end.
async fn status(bench: &Bench, request: Request<Body>) -> StatusCode {
    bench.routes().oneshot(request).await.expect("routes do not fail").status()
}

fn bearer(key: &str) -> String {
    format!("Bearer {key}")
}

/// Commands other than the hours of use, which come when they come.
async fn asked(bench: &Bench) -> Vec<Command> {
    let all = bench.fake.lock().await.asked.clone();
    // A greeting asks for nothing.
    let of_note = |command: &Command| !matches!(command, Command::Keys(KeyCommand::Used(_)) | Command::Greet);
    all.into_iter().filter(of_note).collect()
}

#[tokio::test]
async fn without_a_key_nothing_is_read_and_nothing_is_changed() {
    let mut bench = Bench::open().await;
    let key = bench.keyed(Rights::Operate).await;
    bench.fake.lock().await.add_job(a_job(1)).await;
    let (short, basic, cookie) = (bearer(&key[..31]), format!("Basic {key}"), format!("other={key}"));
    let missing: [&[Header<'_>]; 3] = [&[], &[("authorization", &basic)], &[("cookie", &cookie)]];
    let wrong: [&[Header<'_>]; 2] = [&[("authorization", &short)], &[("cookie", "nosebar-key=guess")]];
    let closed: Vec<_> = routes().into_iter().filter(|(_, route)| !is_open(route)).collect();
    assert!(closed.len() >= 55 && changing().len() >= 30, "{closed:?}");
    for (number, (method, route)) in (1..).zip(&closed) {
        let path = filled(route);
        for headers in missing {
            let reply = bench.send(from_machine(number, method, &path, headers)).await;
            check_problem(&reply, 401, "/problems/no-key");
            // RFC 6750 §3.1: no error code where there were no credentials.
            assert_eq!(reply.header("www-authenticate"), "Bearer realm=\"nosebar\"", "{method} {path}");
        }
        for headers in wrong {
            let reply = bench.send(from_machine(number, method, &path, headers)).await;
            check_problem(&reply, 401, "/problems/no-key");
            assert!(reply.header("www-authenticate").contains("error=\"invalid_token\""), "{method} {path}");
        }
    }
    for path in ["/nothing", "/api/v1/nothing", "/static/deeper/page.css", "/key/guess/deeper", "/keys/1"] {
        let reply = bench.send(from_machine(900, "GET", path, &[])).await;
        check_problem(&reply, 401, "/problems/no-key");
    }
    assert!(asked(&bench).await.is_empty());
}

#[tokio::test]
async fn what_is_needed_to_hand_in_a_key_is_open_to_everybody() {
    let mut bench = Bench::open().await;
    bench.keyed(Rights::Operate).await;
    for path in ["/key", "/static/page.css", "/problems/no-key"] {
        assert_eq!(bench.read(path).await.status, 200, "{path}");
    }
}

#[tokio::test]
async fn a_key_that_watches_reads_everything_but_the_keys_and_changes_nothing() {
    let mut bench = Bench::open().await;
    let key = bearer(&bench.keyed(Rights::Watch).await);
    bench.fake.lock().await.add_job(a_job(1)).await;
    let headers: &[Header<'_>] = &[("authorization", &key)];
    let for_operators = ["/keys", "/api/v1/keys"];
    for (method, route) in routes().into_iter().filter(|(_, route)| !is_open(route)) {
        let request = from_machine(1, method, &filled(&route), headers);
        if method == "GET" && !for_operators.contains(&route.as_str()) {
            let status = status(&bench, request).await;
            assert!(![401, 403, 405, 429].contains(&status.as_u16()), "{method} {route}: {status}");
        } else {
            let reply = bench.send(request).await;
            check_problem(&reply, 403, "/problems/key-too-weak");
            // RFC 6750 §3.1.
            let challenge = reply.header("www-authenticate");
            assert!(challenge.contains("error=\"insufficient_scope\""), "{method} {route}: {challenge}");
        }
    }
    assert!(asked(&bench).await.is_empty());
}

#[tokio::test]
async fn a_key_that_operates_may_do_everything() {
    let mut bench = Bench::open().await;
    let key = bearer(&bench.keyed(Rights::Operate).await);
    bench.fake.lock().await.add_job(a_job(1)).await;
    let end = "/api/v1/keys/{id}/revoke";
    let all = routes().into_iter().filter(|(_, route)| !is_open(route) && !route.ends_with("/revoke"));
    for (method, route) in all.chain([("POST", end.to_owned())]) {
        let status = status(&bench, from_machine(1, method, &filled(&route), &[("authorization", &key)])).await;
        assert!(![401, 403, 405, 429].contains(&status.as_u16()), "{method} {route}: {status}");
    }
    assert!(asked(&bench).await.len() > 10);
}

#[tokio::test]
async fn a_key_is_exchanged_for_a_cookie_by_its_address_and_by_a_form() {
    let mut bench = Bench::open().await;
    let key = bench.keyed(Rights::Operate).await;
    let typed = |text: &str| format!("key={}", text.replace(':', "%3A").replace('/', "%2F"));
    let by_address = bench.read(&format!("/key/{key}")).await;
    let by_form = bench.post_form("/key", &typed(&key)).await;
    let pasted =
        bench.post_form("/key", &typed(&format!(" http://192.168.0.20:8017/key/{key} ").replace(' ', "+"))).await;
    for reply in [by_address, by_form, pasted] {
        assert_eq!((reply.status.as_u16(), reply.header("location")), (303, "/"), "{}", reply.text);
        let cookie = reply.header("set-cookie");
        assert_eq!(cookie, format!("nosebar-key={key}; Path=/; Max-Age=31536000; HttpOnly; SameSite=Strict"));
        let pair = cookie.split(';').next().expect("a name and a value");
        let headers = [("cookie", pair)];
        let stop = bench.send(request(Method::POST, "/api/v1/lines/belt-1/stop", &headers, Body::empty())).await;
        assert_eq!(stop.status, 200, "{}", stop.text);
    }
    check_problem(&bench.read("/key/guess").await, 401, "/problems/no-key");
    assert_eq!(bench.post_form("/key", "key=guess").await.status, 401);
    bench.desk = bench.desk.clone().with_tls();
    let sealed = bench.read(&format!("/key/{key}")).await;
    assert!(sealed.header("set-cookie").ends_with("; Secure"), "{}", sealed.header("set-cookie"));
}

#[tokio::test]
async fn a_link_in_a_letter_leads_to_a_page_of_our_own_before_it_leads_on() {
    let mut bench = Bench::open().await;
    let key = bench.keyed(Rights::Watch).await;
    let headers = [("sec-fetch-site", "cross-site")];
    let reply = bench.send(request(Method::GET, &format!("/key/{key}"), &headers, Body::empty())).await;
    assert_eq!(reply.status, 200);
    assert!(reply.header("set-cookie").contains(&key));
    assert!(reply.text.contains("http-equiv=\"refresh\" content=\"0; url=/\"") && !reply.text.contains(&key));
}

#[tokio::test]
async fn a_device_hands_its_key_back() {
    let mut bench = Bench::open().await;
    let key = bench.keyed(Rights::Operate).await;
    let cookie = format!("nosebar-key={key}");
    let page = bench.send(request(Method::GET, "/key", &[("cookie", &cookie)], Body::empty())).await;
    assert!(page.text.contains("action=\"/key/forget\"") && !page.text.contains(&key), "{}", page.text);
    assert!(!bench.read("/key").await.text.contains("action=\"/key/forget\""));
    let reply = bench.post_form("/key/forget", "").await;
    assert_eq!((reply.status.as_u16(), reply.header("location")), (303, "/key"));
    assert_eq!(reply.header("set-cookie"), "nosebar-key=; Path=/; Max-Age=0; HttpOnly; SameSite=Strict");
    let foreign = [("origin", "http://example.org")];
    let reply = bench.send(request(Method::POST, "/key/forget", &foreign, Body::empty())).await;
    check_problem(&reply, 403, "/problems/foreign-origin");
}

#[tokio::test]
async fn the_authorization_comes_before_the_cookie() {
    let mut bench = Bench::open().await;
    let (right, wrong) = (bench.keyed(Rights::Watch).await, "0".repeat(32));
    let read = async |token: &str, cookie: &str| {
        let (token, cookie) = (bearer(token), format!("nosebar-key={cookie}"));
        let headers = [("authorization", token.as_str()), ("cookie", cookie.as_str())];
        bench.send(request(Method::GET, "/api/v1/lines", &headers, Body::empty())).await.status.as_u16()
    };
    assert_eq!(read(&right, &wrong).await, 200);
    assert_eq!(read(&wrong, &right).await, 401);
}

#[tokio::test]
async fn a_person_without_a_key_sees_where_to_put_it() {
    let mut bench = Bench::open().await;
    bench.keyed(Rights::Operate).await;
    let headers = [("accept", "text/html")];
    for path in ["/", "/keys", "/key/guess"] {
        let reply = bench.send(request(Method::GET, path, &headers, Body::empty())).await;
        assert_eq!(reply.status, 401, "{path}");
        assert!(reply.header("www-authenticate").starts_with("Bearer"), "{path}");
        assert!(reply.header("content-type").starts_with("text/html"), "{path}");
        assert!(reply.text.contains("action=\"/key\"") && reply.text.contains("name=\"key\""), "{}", reply.text);
        assert!(!reply.text.contains("belt-1"), "{}", reply.text);
    }
}

/// Sends the same wrong key until that is too often; answers how often it was not, and the refusal.
async fn guess(bench: &Bench, machine: u32, path: &str, headers: &[Header<'_>]) -> (usize, Reply) {
    for tried in 0..100 {
        let reply = bench.send(from_machine(machine, "GET", path, headers)).await;
        if reply.status != 401 {
            return (tried, reply);
        }
    }
    panic!("a hundred guesses were taken");
}

const WRONG: &[Header<'_>] = &[("authorization", "Bearer guess")];

#[tokio::test]
async fn who_guesses_too_often_must_wait_and_a_right_key_never_does() {
    let mut bench = Bench::open().await;
    let key = bearer(&bench.keyed(Rights::Watch).await);
    let lines = "/api/v1/lines";
    let (tried, reply) = guess(&bench, 1, lines, WRONG).await;
    assert!(tried >= 10, "{tried}");
    check_problem(&reply, 429, "/problems/too-many-failures");
    let wait: u64 = reply.header("retry-after").parse().expect("seconds");
    assert!((1..=6).contains(&wait), "{wait}");
    // Also by the address of a QR code, and to a person as a page with the field.
    let (tried, page) = guess(&bench, 1, "/key/guess", &[("accept", "text/html")]).await;
    assert!(tried < 10 && page.status == 429, "{tried} more");
    assert!(page.text.contains("action=\"/key\""), "{}", page.text);
    // Nobody is shut out who has a key, or none at all.
    let right = bench.send(from_machine(1, "GET", lines, &[("authorization", &key)])).await;
    assert_eq!(right.status, 200);
    check_problem(&bench.send(from_machine(1, "GET", lines, &[])).await, 401, "/problems/no-key");
    check_problem(&bench.send(from_machine(2, "GET", lines, WRONG)).await, 401, "/problems/no-key");
}

#[tokio::test]
async fn a_listener_tells_from_where_a_guess_came() {
    let mut bench = Bench::open().await;
    bench.keyed(Rights::Watch).await;
    let (at, _stop) = listening(&bench).await;
    let mut tried = 0;
    let guess = || reqwest::Client::new().get(format!("http://{at}/api/v1/lines")).bearer_auth("guess").send();
    while guess().await.expect("an answer").status() == 401 {
        tried += 1;
        assert!(tried < 100, "a hundred guesses were taken");
    }
    assert!(tried >= 10, "{tried}");
    // The same desk, and nobody who says from where: it is another one's measure.
    let reply = bench.send(request(Method::GET, "/api/v1/lines", WRONG, Body::empty())).await;
    check_problem(&reply, 401, "/problems/no-key");
}

#[tokio::test]
async fn a_revoked_key_is_told_so_and_is_no_guess() {
    let mut bench = Bench::open().await;
    let key = bearer(&bench.keyed(Rights::Operate).await);
    let revoke = KeyCommand::Revoke { id: KeyId(1), although_last: true };
    bench.fake.lock().await.do_to_key(revoke).expect("revoked");
    for _ in 0..20 {
        let reply = bench.send(from_machine(1, "GET", "/api/v1/lines", &[("authorization", &key)])).await;
        check_problem(&reply, 401, "/problems/no-key");
        assert!(reply.text.contains("revoked"), "{}", reply.text);
    }
}

#[tokio::test]
async fn the_hour_of_use_is_noted_once() {
    let mut bench = Bench::open().await;
    let key = bearer(&bench.keyed(Rights::Watch).await);
    for _ in 0..50 {
        assert_eq!(status(&bench, from_machine(1, "GET", "/api/v1/lines", &[("authorization", &key)])).await, 200);
        tokio::task::yield_now().await;
    }
    let used = |command: &&Command| matches!(command, Command::Keys(KeyCommand::Used(KeyId(1))));
    assert_eq!(bench.fake.lock().await.asked.iter().filter(used).count(), 1);
}

#[tokio::test]
async fn where_only_this_machine_can_ask_there_are_no_keys() {
    let bench = Bench::open().await;
    assert_eq!(bench.read("/api/v1/keys").await.status, 200);
    let reply = bench.read("/key/anything").await;
    assert_eq!((reply.status.as_u16(), reply.header("set-cookie")), (303, ""));
}
