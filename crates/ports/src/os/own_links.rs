//! Whether this computer's own network links still carry: a supervisor whose cable is out must not take the silence for others' deaths.

use std::collections::BTreeSet;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use super::sys;

/// One address of one network interface.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Link {
    /// The interface's name.
    pub name: String,
    /// Its address; none of an interface that has none.
    pub address: Option<IpAddr>,
    /// It is up and its cable (or radio) carries: `IFF_UP` and `IFF_RUNNING` of RFC 2863's operational state.
    pub carries: bool,
    /// Datagrams on it never leave this computer.
    pub loopback: bool,
}

/// The links over which a program is reached at certain addresses.
#[derive(Debug)]
pub struct OwnLinks {
    addresses: Vec<IpAddr>,
    /// Interfaces that led to one of them at any time: a link that is down may have lost its address.
    led: BTreeSet<String>,
    news: sys::LinkNews,
    down: bool,
}

impl OwnLinks {
    /// Links that lead to these addresses. None where nothing can be known: all of them are loopback, or the system does not tell.
    pub fn watch(addresses: &[SocketAddr]) -> Option<OwnLinks> {
        let addresses: Vec<IpAddr> = addresses.iter().map(SocketAddr::ip).filter(|a| !a.is_loopback()).collect();
        if addresses.is_empty() {
            return None;
        }
        let news = sys::LinkNews::open()?;
        let mut links = OwnLinks { addresses, led: BTreeSet::new(), news, down: false };
        links.look();
        Some(links)
    }

    /// Whether none of them carries.
    pub fn down(&self) -> bool {
        self.down
    }

    /// Waits until that changes, at most so long. True: it changed.
    pub fn wait(&mut self, at_most: Duration) -> bool {
        self.news.wait(at_most);
        let before = self.down;
        self.look();
        before != self.down
    }

    fn look(&mut self) {
        let links = sys::links();
        if !links.is_empty() {
            self.down = judge(&self.addresses, &mut self.led, &links);
        }
    }
}

/// Whether all interfaces that lead to one of `addresses` (for an unspecified one: each that has an address) have ceased to carry.
/// Those that never led there say nothing, and where none ever did nothing is down.
fn judge(addresses: &[IpAddr], led: &mut BTreeSet<String>, links: &[Link]) -> bool {
    for link in links.iter().filter(|l| !l.loopback) {
        let leads = |a: &IpAddr| link.address.is_some_and(|own| own == *a || a.is_unspecified() && link.carries);
        if addresses.iter().any(leads) {
            led.insert(link.name.clone());
        }
    }
    !led.is_empty() && !links.iter().any(|l| l.carries && led.contains(&l.name))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link(name: &str, address: &str, carries: bool) -> Link {
        let address = address.parse().ok();
        Link { name: name.into(), address, carries, loopback: name == "lo" }
    }

    fn judge_each(addresses: &[&str], then: &[&[Link]]) -> Vec<bool> {
        let addresses: Vec<IpAddr> = addresses.iter().filter_map(|a| a.parse().ok()).collect();
        let mut led = BTreeSet::new();
        then.iter().map(|links| judge(&addresses, &mut led, links)).collect()
    }

    #[test]
    fn the_link_of_a_bound_address_counts_and_no_other() {
        let (up, down) = (link("eth0", "10.0.0.1", true), link("eth0", "10.0.0.1", false));
        let other = link("wlan0", "192.0.2.7", true);
        let lo = link("lo", "127.0.0.1", true);
        let said = judge_each(
            &["10.0.0.1"],
            &[&[lo.clone(), up.clone(), other.clone()], &[lo.clone(), down, other.clone()], &[lo, up, other]],
        );
        assert_eq!(said, [false, true, false]);
    }

    #[test]
    fn one_of_two_paths_that_carries_is_enough() {
        let first = |carries| link("eth0", "10.0.0.1", carries);
        let second = |carries| link("eth1", "10.0.1.1", carries);
        let said =
            judge_each(&["10.0.0.1", "10.0.1.1"], &[&[first(false), second(true)], &[first(false), second(false)]]);
        assert_eq!(said, [false, true]);
    }

    #[test]
    fn a_link_that_lost_its_address_with_its_cable_is_remembered() {
        let up = link("eth0", "10.0.0.1", true);
        let bare = Link { address: None, carries: false, ..up.clone() };
        assert_eq!(judge_each(&["10.0.0.1"], &[&[up], &[bare], &[]]), [false, true, true]);
    }

    #[test]
    fn everything_that_carries_leads_to_an_unspecified_address() {
        let eth = |carries| link("eth0", "10.0.0.1", carries);
        let unused = link("eth1", "10.0.9.1", false);
        let said = judge_each(&["0.0.0.0"], &[&[eth(true), unused.clone()], &[eth(false), unused]]);
        assert_eq!(said, [false, true]);
    }

    #[test]
    fn what_was_never_there_is_not_down() {
        assert_eq!(judge_each(&["10.0.0.1"], &[&[link("lo", "127.0.0.1", true)]]), [false]);
        assert!(OwnLinks::watch(&["127.0.0.1:7101".parse().unwrap_or_else(|_| ([127, 0, 0, 1], 0).into())]).is_none());
    }
}
