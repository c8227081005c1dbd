//! Tells the network the page's name (multicast DNS, RFC 6762; service discovery, RFC 6763), so that a phone finds
//! `http://nosebar.local:8017`.

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use mdns_sd::{DaemonEvent, IfKind, IfPredicate, Receiver, ServiceDaemon, ServiceInfo};

use super::addresses::reachable;

/// What browsers of services look for (RFC 6763, §7; IANA's registry of service names).
const KIND: &str = "_http._tcp.local.";
/// The longest that the end of the daemon waits for the name to be taken back.
const GOODBYE: Duration = Duration::from_secs(1);

/// A name that the network is told; taken back by [`Self::withdraw`].
pub(super) struct Announced {
    responder: ServiceDaemon,
}

impl Announced {
    /// Announces `host`, such as `nosebar.local`, for the listener at `at`. Where that fails a warning says why: the page can still
    /// be reached by its addresses.
    pub(super) fn start(host: &str, at: SocketAddr) -> Option<Self> {
        match announce(host, at) {
            Ok(responder) => Some(Self { responder }),
            Err(error) => {
                tracing::warn!(%error, "the name {host} cannot be announced; use the page's addresses");
                None
            }
        }
    }

    /// Takes the name back: nobody is to look for the page any longer.
    pub(super) async fn withdraw(self) {
        let Ok(done) = self.responder.shutdown() else { return };
        // If it takes too long, what others remember runs out after two minutes.
        drop(tokio::time::timeout(GOODBYE, done.recv_async()).await);
    }
}

fn announce(host: &str, at: SocketAddr) -> Result<ServiceDaemon, mdns_sd::Error> {
    let responder = ServiceDaemon::new()?;
    let told = responder.monitor().and_then(|events| {
        responder.register(service(host, at)?)?;
        Ok(events)
    });
    match told {
        Ok(events) => {
            tokio::spawn(watch(events, responder.clone(), format!("{host}.")));
            Ok(responder)
        }
        Err(error) => {
            // Its thread would go on; that it cannot be ended either is no news.
            drop(responder.shutdown());
            Err(error)
        }
    }
}

/// What is published: the page as a service called by its name, with those of the machine's addresses at which the listener is
/// found, now and when they change.
fn service(host: &str, at: SocketAddr) -> Result<ServiceInfo, mdns_sd::Error> {
    let name = host.strip_suffix(".local").unwrap_or(host);
    // The path is the page's own (RFC 6763, §6; key `path` of the service `http`).
    let facts = [("path", "/")];
    let service = ServiceInfo::new(KIND, name, &format!("{host}."), "", at.port(), &facts[..])?;
    let mut service = service.enable_addr_auto();
    service.set_interfaces(vec![IfKind::Predicate(IfPredicate::new(move |own| leads(own.ip(), at)))]);
    Ok(service)
}

/// Whether one of this machine's addresses leads others to the listener at `at`.
fn leads(own: IpAddr, at: SocketAddr) -> bool {
    reachable(at, &[own]).iter().any(|found| found.ip() == own)
}

/// Passes on what the responder complains of. A name that another device has already is left to it.
async fn watch(events: Receiver<DaemonEvent>, responder: ServiceDaemon, host: String) {
    while let Ok(event) = events.recv_async().await {
        match event {
            DaemonEvent::NameChange(change) if change.original.eq_ignore_ascii_case(&host) => {
                let name = host.trim_end_matches('.');
                tracing::warn!(
                    "another device in this network is called {name}; use the page's addresses, or choose another name: \
                     mdns_name in the config"
                );
                drop(responder.shutdown());
                return;
            }
            DaemonEvent::Error(error) => tracing::warn!(%error, "announcing the name {host} met a fault"),
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_is_published_by_its_name_and_port() {
        let service = service("nosebar.local", "0.0.0.0:8017".parse().expect("an address")).expect("a service");
        assert_eq!(service.get_fullname(), "nosebar._http._tcp.local.");
        assert_eq!((service.get_hostname(), service.get_port()), ("nosebar.local.", 8017));
        assert_eq!(service.get_property_val_str("path"), Some("/"));
        assert!(service.is_addr_auto());
    }

    #[test]
    fn addresses_that_do_not_lead_to_the_listener_are_not_published() {
        let leads = |own: &str, at: &str| leads(own.parse().expect("an IP"), at.parse().expect("an address"));
        assert!(leads("192.168.0.20", "0.0.0.0:80") && leads("192.168.0.20", "[::]:80"));
        assert!(leads("2001:db8::5", "[::]:80") && !leads("2001:db8::5", "0.0.0.0:80"));
        assert!(leads("192.168.0.20", "192.168.0.20:80") && !leads("10.0.0.3", "192.168.0.20:80"));
        assert!(!leads("127.0.0.1", "0.0.0.0:80") && !leads("fe80::1", "[::]:80"));
    }
}
