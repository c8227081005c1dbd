//! Who comes in (law L11): on a listener that others can reach, every request needs a key that allows it.
//!
//! Open to everybody is only what is needed to hand in a key: its page, what that page looks like, and what problems mean.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{ConnectInfo, MatchedPath, Request};
use axum::http::{Extensions, HeaderMap, Method, Uri};
use tokio::sync::{Semaphore, watch};

use super::access::{host_of, is_safe};
use super::desk::Desk;
use super::error::{HttpError, Lack};
use super::failures::Failures;
use super::key::presented;
use super::secret::hash_of;
use super::tls::Seal;
use crate::clock::Clock;
use crate::foreman::{Command, KeyCommand, Keyring, hour_of};
use crate::job::{AccessKey, KeyId, Rights};

/// Routes that ask for no key.
const OPEN: [&str; 6] =
    ["/key", "/key/{key}", "/key/forget", "/static/{name}", "/manifest.webmanifest", "/problems/{code}"];
/// Routes that are read by those alone who may change what is there.
const FOR_OPERATORS: [&str; 2] = ["/keys", "/api/v1/keys"];

/// What the listener asks of those who come, and what it looks like from outside.
#[derive(Clone, Debug)]
pub(super) struct Door {
    /// Whether keys are asked for at all.
    pub(super) asks: bool,
    /// Whether what is sent is sealed (TLS).
    pub(super) tls: bool,
    /// The certificate, where it is this program's own.
    pub(super) seal: Option<Seal>,
    /// Where another device finds it, such as `http://192.168.0.20:8017`.
    pub(super) base: Option<String>,
    pub(super) clock: Clock,
    failures: Arc<Failures>,
    /// One use of a key is noted at a time: requests by the hundred must not fill the foreman's desk.
    noting: Arc<Semaphore>,
}

impl Door {
    /// A door that asks for no keys.
    pub(super) fn open() -> Self {
        let (failures, noting) = (Arc::default(), Arc::new(Semaphore::new(1)));
        Self { asks: false, tls: false, seal: None, base: None, clock: Clock::real(), failures, noting }
    }

    pub(super) fn scheme(&self) -> &'static str {
        if self.tls { "https" } else { "http" }
    }

    /// Whether a host is one that the certificate is for.
    pub(super) fn is_sealed_for(&self, host: &str) -> bool {
        self.seal.as_ref().is_some_and(|seal| seal.is_for(name_of(host)))
    }

    /// Where a phone finds this desk: where whoever asks has found it, unless only this machine can.
    pub(super) fn base_for(&self, headers: &HeaderMap, uri: &Uri) -> String {
        let host = host_of(headers, uri).unwrap_or_default();
        match &self.base {
            Some(base) if is_own(host) => base.clone(),
            _ => format!("{}://{host}", self.scheme()),
        }
    }
}

/// The name or address of a host, without its port.
fn name_of(host: &str) -> &str {
    match host.strip_prefix('[') {
        Some(inside) => inside.split(']').next().unwrap_or(""),
        None => host.rsplit_once(':').map_or(host, |(name, _)| name),
    }
}

/// Whether only the machine itself can use this host.
fn is_own(host: &str) -> bool {
    let name = name_of(host);
    name.is_empty() || name.eq_ignore_ascii_case("localhost") || name.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// The key with which a request came in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Pass(pub(super) KeyId);

/// Lets requests in that bear a key which allows them.
pub(super) fn check_key(desk: &Desk, request: &mut Request) -> Result<(), HttpError> {
    let route = request.extensions().get::<MatchedPath>().map(MatchedPath::as_str);
    let needed = if desk.door.asks { needed(route, request.method()) } else { None };
    if let Some(needed) = needed {
        let pass = desk.admit(peer(request.extensions()), presented(request.headers()), needed)?;
        request.extensions_mut().insert(pass);
    }
    Ok(())
}

/// What a route asks for; what is no route asks for as much as reading.
fn needed(route: Option<&str>, method: &Method) -> Option<Rights> {
    match route {
        Some(route) if OPEN.contains(&route) => None,
        Some(route) if FOR_OPERATORS.contains(&route) => Some(Rights::Operate),
        _ if is_safe(method) => Some(Rights::Watch),
        _ => Some(Rights::Operate),
    }
}

/// Where a request comes from; `None` where nobody has said.
pub(super) fn peer(extensions: &Extensions) -> Option<IpAddr> {
    extensions.get::<ConnectInfo<SocketAddr>>().map(|ConnectInfo(address)| address.ip())
}

impl Desk {
    /// Whether what is presented is a key that allows what is needed. A right key is never refused for earlier failures, and only
    /// keys that never were any count as failures.
    pub(super) fn admit(
        &self,
        from: Option<IpAddr>,
        presented: Option<&str>,
        needed: Rights,
    ) -> Result<Pass, HttpError> {
        let Some(presented) = presented else { return Err(HttpError::NoKey { lack: Lack::Missing }) };
        match self.handle.keys().find(&hash_of(presented)) {
            Some(key) if !key.is_live() => Err(HttpError::NoKey { lack: Lack::Revoked }),
            Some(key) => {
                self.note_use(key);
                if key.rights.allow(needed) { Ok(Pass(key.id)) } else { Err(HttpError::KeyTooWeak) }
            }
            None => match self.door.failures.count(from) {
                Ok(()) => Err(HttpError::NoKey { lack: Lack::Wrong }),
                Err(wait) => Err(HttpError::TooManyFailures { wait_s: whole_seconds(wait) }),
            },
        }
    }

    /// Has the foreman note the hour, if it does not know already.
    fn note_use(&self, key: &AccessKey) {
        if key.last_used == Some(hour_of(self.door.clock.wall())) {
            return;
        }
        let Ok(permit) = Arc::clone(&self.door.noting).try_acquire_owned() else { return };
        let (handle, id) = (self.handle.clone(), key.id);
        tokio::spawn(async move {
            // If it is not noted now, the next request says it again.
            drop(handle.ask(Command::Keys(KeyCommand::Used(id))).await);
            drop(permit);
        });
    }
}

fn whole_seconds(wait: Duration) -> u64 {
    wait.as_secs() + u64::from(wait.subsec_nanos() > 0)
}

/// Tells a long answer when the key that it is for is revoked.
pub(super) struct Leave {
    pass: Option<Pass>,
    keys: watch::Receiver<Arc<Keyring>>,
}

impl Leave {
    pub(super) fn of(desk: &Desk, pass: Option<Pass>) -> Self {
        Self { pass, keys: desk.handle.watch_keys() }
    }

    pub(super) fn is_over(&self) -> bool {
        self.pass.is_some_and(|Pass(id)| !self.keys.borrow().is_live(id))
    }

    /// Ready when it is over; never where no key is asked for. Safe to cancel.
    pub(super) async fn over(&mut self) {
        while !self.is_over() {
            if self.pass.is_none() || self.keys.changed().await.is_err() {
                return std::future::pending().await;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use axum::http::HeaderValue;
    use axum::http::header::HOST;

    use super::*;

    #[test]
    fn reading_needs_a_key_that_watches_and_everything_else_one_that_operates() {
        for method in [Method::GET, Method::HEAD, Method::OPTIONS] {
            assert_eq!(needed(Some("/api/v1/jobs"), &method), Some(Rights::Watch));
            assert_eq!(needed(None, &method), Some(Rights::Watch));
            assert_eq!(needed(Some("/keys"), &method), Some(Rights::Operate));
        }
        for method in [Method::POST, Method::PUT, Method::PATCH, Method::DELETE] {
            assert_eq!(needed(Some("/api/v1/jobs"), &method), Some(Rights::Operate));
            assert_eq!(needed(None, &method), Some(Rights::Operate));
        }
        for open in OPEN {
            assert_eq!(needed(Some(open), &Method::GET), None, "{open}");
        }
        // What an address begins with opens nothing.
        assert_eq!(needed(Some("/static/{name}/deeper"), &Method::GET), Some(Rights::Watch));
    }

    #[test]
    fn a_phone_is_sent_where_it_can_go() {
        let base_for = |door: &Door, host: &'static str| {
            let headers = HeaderMap::from_iter([(HOST, HeaderValue::from_static(host))]);
            door.base_for(&headers, &Uri::from_static("/keys"))
        };
        let mut door = Door::open();
        assert_eq!(base_for(&door, "localhost:8017"), "http://localhost:8017");
        door.base = Some("https://192.168.0.20:8017".to_owned());
        door.tls = true;
        for own in ["localhost:8017", "LOCALHOST", "127.0.0.1:8017", "[::1]:8017"] {
            assert_eq!(base_for(&door, own), "https://192.168.0.20:8017", "{own}");
        }
        for other in ["10.0.0.3:8017", "nosebar.local:8017", "[2001:db8::1]:8017"] {
            assert_eq!(base_for(&door, other), format!("https://{other}"));
        }
    }

    #[test]
    fn a_wait_is_told_in_whole_seconds_and_never_too_short() {
        assert_eq!(whole_seconds(Duration::from_millis(5001)), 6);
        assert_eq!(whole_seconds(Duration::from_secs(6)), 6);
    }
}
