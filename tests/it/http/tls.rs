//! Sealed connections: what reaches the routes, and who is kept waiting by whom.

use std::io::ErrorKind;
use std::net::SocketAddr;

use nosebar::http::{Seal, TlsError, serve};
use nosebar::job::Rights;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

use super::fake::Bench;
use crate::tls::{Files, ask_from};

const NAMES: [&str; 3] = ["127.0.0.1", "page.example.org", "*.shed.example.org"];

/// The bench behind a sealed listener.
async fn listening(bench: &Bench, files: &Files) -> SocketAddr {
    let seal = Seal::read(&files.certificate, &files.key).expect("a good pair");
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let at = listener.local_addr().expect("an address");
    let desk = bench.desk.clone().with_seal(seal.clone());
    tokio::spawn(async move { serve(seal.listen(listener), desk, std::future::pending()).await });
    at
}

#[tokio::test]
async fn a_sealed_request_is_answered_as_any_other_with_a_cookie_for_sealed_connections() {
    let mut bench = Bench::open().await;
    let key = bench.keyed(Rights::Operate).await;
    let files = Files::make(&NAMES);
    let at = listening(&bench, &files).await;
    let page = files.ask(at, "127.0.0.1", &format!("/key/{key}"), None).await;
    assert!(page.starts_with("HTTP/1.1 303 ") && page.contains("SameSite=Strict; Secure\r\n"), "{page}");
    let lines = files.ask(at, "127.0.0.1", "/api/v1/lines", Some(&key)).await;
    assert!(lines.starts_with("HTTP/1.1 200 ") && lines.contains("belt-1"), "{lines}");
}

#[tokio::test]
async fn wrong_keys_are_counted_by_where_sealed_connections_come_from() {
    let mut bench = Bench::open().await;
    bench.keyed(Rights::Operate).await;
    let files = Files::make(&NAMES);
    let at = listening(&bench, &files).await;
    let mut last = String::new();
    for _ in 0..11 {
        last = files.ask(at, "127.0.0.1", "/api/v1/lines", Some("wrong")).await;
    }
    assert!(last.starts_with("HTTP/1.1 429 "), "{last}");
    let elsewhere = ask_from("127.0.0.2", &files, at, "127.0.0.1", "/api/v1/lines", Some("wrong")).await;
    assert!(elsewhere.starts_with("HTTP/1.1 401 "), "{elsewhere}");
}

#[tokio::test]
async fn the_certificate_s_names_are_ours_and_others_are_not() {
    let bench = Bench::open().await;
    let files = Files::make(&NAMES);
    let at = listening(&bench, &files).await;
    for host in ["page.example.org", "PAGE.example.org:8017", "left.shed.example.org", "localhost"] {
        let answer = files.ask(at, host, "/api/v1/lines", None).await;
        assert!(answer.starts_with("HTTP/1.1 200 "), "{host}: {answer}");
    }
    for host in ["example.org", "other.example.org:8017", "shed.example.org", "nosebar.local"] {
        let answer = files.ask(at, host, "/api/v1/lines", None).await;
        assert!(answer.starts_with("HTTP/1.1 421 "), "{host}: {answer}");
    }
}

#[tokio::test]
async fn silent_clients_keep_nobody_waiting_however_many_they_are() {
    let bench = Bench::open().await;
    let files = Files::make(&NAMES);
    let at = listening(&bench, &files).await;
    // More than may shake hands at once.
    let mut silent = Vec::new();
    for _ in 0..100 {
        silent.push(TcpStream::connect(at).await.expect("connected"));
    }
    let answer = files.ask(at, "127.0.0.1", "/api/v1/lines", None).await;
    assert!(answer.starts_with("HTTP/1.1 200 "), "{answer}");
    // The oldest had to go; the latest has still time, so that the answer did not wait for its end.
    assert_eq!(silent[0].read(&mut [0]).await.expect("an end"), 0);
    let latest = silent[99].try_read(&mut [0]);
    assert_eq!(latest.expect_err("still open").kind(), ErrorKind::WouldBlock);
}

#[tokio::test]
async fn who_speaks_plain_http_or_nonsense_is_answered_at_once_and_nobody_else_is_harmed() {
    let bench = Bench::open().await;
    let files = Files::make(&NAMES);
    let at = listening(&bench, &files).await;
    let plain = reqwest::get(format!("http://{at}/")).await.expect("an answer");
    assert_eq!(plain.status(), 400);
    assert!(plain.text().await.expect("text").contains("https://"));
    let mut broken = TcpStream::connect(at).await.expect("connected");
    // A greeting without anything in it.
    broken.write_all(&[22, 3, 1, 0, 4, 1, 0, 0, 0]).await.expect("written");
    let mut alert = Vec::new();
    broken.read_to_end(&mut alert).await.expect("an end");
    assert_eq!(alert.first(), Some(&21), "an alert record (RFC 8446, §5.1): {alert:?}");
    drop(TcpStream::connect(at).await.expect("connected"));
    let answer = files.ask(at, "127.0.0.1", "/api/v1/lines", None).await;
    assert!(answer.starts_with("HTTP/1.1 200 "), "{answer}");
}

#[test]
fn what_is_wrong_with_certificate_files_is_told_with_the_file() {
    let (files, others) = (Files::make(&NAMES), Files::make(&NAMES));
    let told = |certificate, key| match Seal::read(certificate, key) {
        Ok(_) => "good".to_owned(),
        Err(error) => error.to_string(),
    };
    assert_eq!(told(&files.certificate, &files.key), "good");
    let nowhere = files.dir.path().join("nowhere.pem");
    assert!(told(&nowhere, &files.key).starts_with(&format!("the file {} of tls_certificate", nowhere.display())));
    assert!(told(&files.certificate, &nowhere).contains("of tls_key cannot be read"));
    assert!(told(&files.key, &files.key).contains("of tls_certificate has no certificate; expected PEM"));
    assert!(told(&files.certificate, &files.certificate).contains("of tls_key has no private key; expected PEM"));
    let strangers = Seal::read(&files.certificate, &others.key).expect_err("they do not belong together");
    assert!(matches!(strangers, TlsError::Strangers { .. }), "{strangers}");
    let damaged = files.dir.path().join("damaged.pem");
    let text = std::fs::read_to_string(&files.key).expect("a key");
    std::fs::write(&damaged, text.replace("-----END", "-----AND")).expect("written");
    assert!(told(&files.certificate, &damaged).contains("of tls_key has a damaged section"));
    std::fs::write(&damaged, "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n").expect("written");
    assert!(told(&damaged, &files.key).contains("cannot be used"), "{}", told(&damaged, &files.key));
}

#[test]
fn a_certificate_is_for_its_names_and_addresses_alone() {
    let files = Files::make(&NAMES);
    let seal = Seal::read(&files.certificate, &files.key).expect("a good pair");
    for host in ["127.0.0.1", "page.example.org", "a.shed.example.org"] {
        assert!(seal.is_for(host), "{host}");
    }
    for host in ["127.0.0.2", "example.org", "a.b.shed.example.org", "", "::1", "*.shed.example.org"] {
        assert!(!seal.is_for(host), "{host}");
    }
}
