//! Where a phone can reach a listener.

use std::net::{IpAddr, Ipv6Addr, SocketAddr};

use nix::ifaddrs::getifaddrs;
use nix::net::if_::InterfaceFlags;

use crate::http::Seal;

/// The addresses of this machine's interfaces that are up, but for the loopback's; none where the system does not tell.
pub(super) fn own_addresses() -> Vec<IpAddr> {
    let interfaces = match getifaddrs() {
        Ok(interfaces) => interfaces,
        Err(error) => {
            tracing::warn!(%error, "the addresses of this machine cannot be read");
            return Vec::new();
        }
    };
    let up = interfaces.filter(|interface| {
        interface.flags.contains(InterfaceFlags::IFF_UP) && !interface.flags.contains(InterfaceFlags::IFF_LOOPBACK)
    });
    let addresses = up.filter_map(|interface| {
        let address = interface.address?;
        let v4 = address.as_sockaddr_in().map(|v4| IpAddr::V4(v4.ip()));
        v4.or_else(|| address.as_sockaddr_in6().map(|v6| IpAddr::V6(v6.ip())))
    });
    addresses.collect()
}

/// The page's addresses, such as `http://192.168.0.20:8017`, the likeliest for a phone first; at least one. `name` is what the
/// listener at `at` is called in the network. Those for which a browser takes the certificate come before the others.
pub(super) fn bases(at: SocketAddr, name: Option<&str>, seal: Option<&Seal>) -> Vec<String> {
    let own = if at.ip().is_unspecified() { own_addresses() } else { Vec::new() };
    let found = reachable(at, &own).into_iter().map(|found| (found.ip().to_string(), found.to_string()));
    let named = name.map(|name| (name.to_owned(), format!("{name}:{}", at.port())));
    let mut ways: Vec<_> = found.chain(named).collect();
    let Some(seal) = seal else { return ways.iter().map(|(_, place)| format!("http://{place}")).collect() };
    ways.sort_by_key(|(host, _)| !seal.is_for(host));
    ways.iter().map(|(_, place)| format!("https://{place}")).collect()
}

/// Where a listener at `at` is found from other machines: at that address, or, where it listens at every one, at each of `own`.
/// Link-local addresses of IPv6 are left out: no browser takes their zone (WHATWG URL, host parsing).
pub(super) fn reachable(at: SocketAddr, own: &[IpAddr]) -> Vec<SocketAddr> {
    if !at.ip().is_unspecified() {
        return vec![at];
    }
    let good = |address: &&IpAddr| match (at.ip(), address) {
        (_, address) if address.is_loopback() => false,
        // A listener at `::` takes both kinds.
        (_, IpAddr::V4(_)) => true,
        (IpAddr::V6(_), IpAddr::V6(v6)) => !v6.is_unicast_link_local(),
        (IpAddr::V4(_), IpAddr::V6(_)) => false,
    };
    let mut found: Vec<SocketAddr> =
        own.iter().filter(good).map(|address| SocketAddr::new(*address, at.port())).collect();
    found.sort_by_key(|address| rank(address.ip()));
    found.dedup();
    if found.is_empty() { vec![at] } else { found }
}

/// The likeliest for a phone in the same house first: private IPv4 (RFC 1918), other IPv4, IPv6.
fn rank(address: IpAddr) -> u8 {
    match address {
        IpAddr::V4(v4) if v4.is_private() => 0,
        IpAddr::V4(_) => 1,
        IpAddr::V6(v6) if v6 != Ipv6Addr::UNSPECIFIED => 2,
        IpAddr::V6(_) => 3,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(listen: &str, own: &[&str]) -> Vec<String> {
        let own: Vec<IpAddr> = own.iter().map(|text| text.parse().expect("an address")).collect();
        let listen = listen.parse().expect("an address");
        reachable(listen, &own).iter().map(ToString::to_string).collect()
    }

    #[test]
    fn a_listener_at_every_address_is_found_at_each_the_private_one_first() {
        let own = ["127.0.0.1", "203.0.113.5", "fe80::1", "2001:db8::5", "192.168.0.20", "::1"];
        assert_eq!(at("0.0.0.0:8017", &own), ["192.168.0.20:8017", "203.0.113.5:8017"]);
        assert_eq!(at("[::]:8017", &own), ["192.168.0.20:8017", "203.0.113.5:8017", "[2001:db8::5]:8017"]);
    }

    #[test]
    fn a_listener_at_one_address_is_found_there() {
        assert_eq!(at("10.0.0.3:80", &["192.168.0.20"]), ["10.0.0.3:80"]);
        assert_eq!(at("0.0.0.0:80", &["127.0.0.1"]), ["0.0.0.0:80"], "there is no better word");
    }

    #[test]
    fn the_loopback_s_own_address_is_not_among_this_machine_s() {
        assert!(own_addresses().iter().all(|address| !address.is_loopback()), "{:?}", own_addresses());
    }
}
