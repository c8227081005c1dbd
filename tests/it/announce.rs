//! The page's name in the network: found by another responder, and gone after the daemon.

use std::time::Duration;

use mdns_sd::{Receiver, ServiceDaemon, ServiceEvent};
use nix::ifaddrs::getifaddrs;
use nix::net::if_::InterfaceFlags;

use crate::plant::Plant;

const KIND: &str = "_http._tcp.local.";
const PATIENCE: Duration = Duration::from_secs(60);

/// Whether there is a network that carries multicast, beyond the machine itself.
fn has_multicast() -> bool {
    let wanted = InterfaceFlags::IFF_UP | InterfaceFlags::IFF_MULTICAST;
    getifaddrs().expect("interfaces").any(|interface| {
        interface.flags.contains(wanted)
            && !interface.flags.contains(InterfaceFlags::IFF_LOOPBACK)
            && interface.address.is_some_and(|address| address.as_sockaddr_in().is_some())
    })
}

async fn wait_for<T>(events: &Receiver<ServiceEvent>, wanted: impl Fn(ServiceEvent) -> Option<T>) -> T {
    let found = async {
        loop {
            if let Some(found) = wanted(events.recv_async().await.expect("the responder goes on")) {
                return found;
            }
        }
    };
    tokio::time::timeout(PATIENCE, found).await.expect("it is heard of")
}

#[tokio::test]
async fn others_find_the_page_by_its_name_until_the_daemon_ends() {
    if !has_multicast() {
        eprintln!("skipped: no network here carries multicast");
        return;
    }
    let name = format!("nosebar-{}", std::process::id());
    let mut plant = Plant::with_config(&format!(
        "[daemon]\nlisten = \"0.0.0.0:0\"\nmdns_name = {name:?}\n\n[[line]]\nname = \"one\"\n\
         printer = {{ link = \"simulated\" }}\ncheck = {{ kind = \"ask\" }}\n"
    ));
    plant.daemon().line_after(&format!("page: http://{name}.local:"));
    let seeker = ServiceDaemon::new().expect("a responder");
    let events = seeker.browse(KIND).expect("it looks");
    let fullname = format!("{name}.{KIND}");
    let found = wait_for(&events, |event| match event {
        ServiceEvent::ServiceResolved(found) if found.get_fullname() == fullname => Some(found),
        _ => None,
    })
    .await;
    assert_eq!(found.get_hostname(), format!("{name}.local."));
    assert_eq!(plant.address().rsplit(':').next(), Some(found.get_port().to_string().as_str()));
    let address = *found.get_addresses_v4().iter().next().expect("an address");
    assert!(!address.is_loopback());
    let url = format!("http://{address}:{}/api/v1/lines", found.get_port());
    for (host, status) in [(format!("{name}.local"), 401), ("other.local".to_owned(), 421)] {
        let request = reqwest::Client::new().get(&url).header("host", &host);
        assert_eq!(request.send().await.expect("an answer").status(), status, "{host}");
    }

    // What is not taken back is remembered for more than an hour.
    assert_eq!(plant.daemon().terminate(), Some(0));
    wait_for(&events, |event| match event {
        ServiceEvent::ServiceRemoved(_, gone) if gone == fullname => Some(()),
        _ => None,
    })
    .await;
    drop(seeker.shutdown());
}
