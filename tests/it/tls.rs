//! The daemon behind a certificate, and what a client needs to ask it.

use std::fs;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::process::Command;
use std::sync::Arc;

use rustls_pki_types::pem::PemObject;
use rustls_pki_types::{CertificateDer, ServerName};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpSocket;
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

use crate::plant::Plant;

/// A certificate that was made for this test, signed by itself, and its key.
pub(crate) struct Files {
    pub(crate) certificate: PathBuf,
    pub(crate) key: PathBuf,
    pub(crate) dir: tempfile::TempDir,
}

impl Files {
    pub(crate) fn make(names: &[&str]) -> Self {
        let dir = tempfile::tempdir().expect("a folder");
        let (certificate, key) = (dir.path().join("page.pem"), dir.path().join("page.key"));
        let names: Vec<String> = names.iter().map(ToString::to_string).collect();
        let made = rcgen::generate_simple_self_signed(names).expect("a certificate");
        fs::write(&certificate, made.cert.pem()).expect("written");
        fs::write(&key, made.signing_key.serialize_pem()).expect("written");
        Self { certificate, key, dir }
    }

    /// The whole answer to one request, from a client that trusts this certificate alone.
    pub(crate) async fn ask(&self, at: SocketAddr, host: &str, path: &str, key: Option<&str>) -> String {
        ask_from("127.0.0.1", self, at, host, path, key).await
    }
}

/// The same from another address of this machine.
pub(crate) async fn ask_from(
    from: &str,
    files: &Files,
    at: SocketAddr,
    host: &str,
    path: &str,
    key: Option<&str>,
) -> String {
    let mut roots = RootCertStore::empty();
    let trusted = CertificateDer::from_pem_file(&files.certificate).expect("a certificate");
    roots.add(trusted).expect("a good certificate");
    let builder = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()));
    let builder = builder.with_safe_default_protocol_versions().expect("versions");
    let mut config = builder.with_root_certificates(roots).with_no_client_auth();
    config.alpn_protocols = vec![b"h2".to_vec(), b"http/1.1".to_vec()];
    let from: IpAddr = from.parse().expect("an IP");
    let socket = TcpSocket::new_v4().expect("a socket");
    socket.bind(SocketAddr::new(from, 0)).expect("an address of this machine");
    let stream = socket.connect(at).await.expect("connected");
    let name = ServerName::try_from("127.0.0.1").expect("a name");
    let mut stream = TlsConnector::from(Arc::new(config)).connect(name, stream).await.expect("a handshake");
    assert_eq!(stream.get_ref().1.alpn_protocol(), Some(&b"http/1.1"[..]));
    let bearer = key.map(|key| format!("Authorization: Bearer {key}\r\n")).unwrap_or_default();
    let request = format!("GET {path} HTTP/1.1\r\nHost: {host}\r\n{bearer}Connection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).await.expect("written");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.expect("an answer, and its end is sealed too");
    answer
}

fn config(files: &Files) -> String {
    format!(
        "[daemon]\nlisten = \"0.0.0.0:0\"\nmdns_name = \"\"\ntls_certificate = {:?}\ntls_key = {:?}\n\n[[line]]\n\
         name = \"one\"\nprinter = {{ link = \"simulated\" }}\ncheck = {{ kind = \"ask\" }}\n",
        files.certificate, files.key
    )
}

#[tokio::test]
async fn a_daemon_with_a_certificate_is_asked_and_shown_by_https() {
    let files = Files::make(&["127.0.0.1"]);
    let mut plant = Plant::with_config(&config(&files));
    let address = plant.daemon().line_after("key of the first phone, shown this once: ");
    let (base, key) = address.split_once("/key/").expect("an address with a key");
    assert!(base.starts_with("https://"), "{base}");
    let port: u16 = base.rsplit(':').next().and_then(|port| port.parse().ok()).expect("a port");
    let at = SocketAddr::from(([127, 0, 0, 1], port));
    let lines = files.ask(at, &at.to_string(), "/api/v1/lines", Some(key)).await;
    assert!(lines.starts_with("HTTP/1.1 200 ") && lines.contains("\"one\""), "{lines}");
    let refused = files.ask(at, &at.to_string(), "/api/v1/lines", None).await;
    assert!(refused.starts_with("HTTP/1.1 401 "), "{refused}");
    assert_eq!(plant.daemon().terminate(), Some(0));

    let config = plant.dir.path().join("nosebar.toml");
    let mut make = Command::new(env!("CARGO_BIN_EXE_nosebar"));
    let made = make.args(["key", "make", "phone", "--config"]).arg(config).output().expect("it runs");
    let said = String::from_utf8_lossy(&made.stdout);
    assert!(said.contains(": https://") && !said.contains("http://"), "{said}");
}

#[test]
fn a_daemon_does_not_start_open_when_its_certificate_cannot_be_used() {
    let files = Files::make(&["127.0.0.1"]);
    fs::remove_file(&files.key).expect("removed");
    let path = files.dir.path().join("nosebar.toml");
    fs::write(&path, config(&files)).expect("written");
    let mut serve = Command::new(env!("CARGO_BIN_EXE_nosebar"));
    let told = serve.args(["serve", "--config"]).arg(path).output().expect("it runs");
    let why = String::from_utf8_lossy(&told.stderr);
    assert!(told.status.code() == Some(2) && why.contains("page.key of tls_key cannot be read"), "{why}");
    assert!(!files.dir.path().join("data").exists(), "nothing was begun");
}
