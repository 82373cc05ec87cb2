//! Who may do what over the network (promise 10).
//!
//! Loopback administers. Everybody else has the role that the rig gives the source address, or none. A UDP
//! address is no identity, so microphones are opened only from loopback or by what came in on a local address
//! that the rig names as wired control; there is one socket for each of those, so the socket that received a
//! datagram says where it came in. Linux takes a datagram for any of its addresses on every interface, so on a
//! machine that also stands in a network nobody trusts, strict reverse-path filtering (`rp_filter` = 1, RFC 3704) is
//! what keeps a forged wired source from coming in by the other one; this program cannot see the difference.

use crate::panel::PortIndex;
use crate::profile::{Message, NodeLine, Panel, Reach, Rig, Role};
use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

/// Refused senders that are remembered.
pub const REFUSED_SENDERS_MAX: usize = 64;
/// How long a refused sender must have been quiet before another may take its place. It also bounds the log.
const QUIET: Duration = Duration::from_secs(60);

/// What rig and panel say about who may do what.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Access {
    remotes: BTreeMap<IpAddr, Role>,
    wired: Vec<IpAddr>,
    /// By control port: whose datagrams it carries, and the addresses its controls send.
    panels: Vec<Option<(IpAddr, BTreeSet<String>)>>,
    /// By control port: where its node on UDP is. All that comes from there is the node's.
    nodes: Vec<Option<SocketAddr>>,
}

impl Access {
    /// What these files say.
    #[must_use]
    pub fn new(rig: &Rig, panel: &Panel) -> Self {
        let panels = rig.control_ports.iter().map(|port| {
            let Reach::Osc { address, .. } = port.reach else { return None };
            let of_port = panel.controls.iter().filter(|control| control.port == port.id);
            let addresses = of_port.filter_map(|control| match &control.message {
                Message::Osc { address, .. } => Some(address.clone()),
                _ => None,
            });
            Some((address.to_canonical(), addresses.collect()))
        });
        Self {
            remotes: rig.network.remotes.iter().map(|(address, role)| (address.to_canonical(), *role)).collect(),
            wired: rig.network.wired_control.iter().map(IpAddr::to_canonical).collect(),
            panels: panels.collect(),
            nodes: rig.control_ports.iter().map(|port| node_address(&port.reach)).collect(),
        }
    }

    /// What a sender may do; nothing when the rig does not name it.
    #[must_use]
    pub fn role(&self, from: SocketAddr) -> Option<Role> {
        let from = from.ip().to_canonical();
        if from.is_loopback() { Some(Role::Administer) } else { self.remotes.get(&from).copied() }
    }

    /// Whether what came from there to the socket bound to the local address `at` may open microphones.
    #[must_use]
    pub fn may_open_microphones(&self, from: SocketAddr, at: IpAddr) -> bool {
        from.ip().to_canonical().is_loopback() || self.wired.contains(&at.to_canonical())
    }

    /// Whether a control port of the rig has this source address.
    #[must_use]
    pub fn is_panel(&self, from: SocketAddr) -> bool {
        if self.node_port(from).is_some() {
            return true;
        }
        let from = from.ip().to_canonical();
        self.panels.iter().flatten().any(|(address, _)| *address == from)
    }

    /// The control port of the node that is there.
    #[must_use]
    pub fn node_port(&self, from: SocketAddr) -> Option<PortIndex> {
        let from = (from.ip().to_canonical(), from.port());
        let is_there = |node: &SocketAddr| (node.ip().to_canonical(), node.port()) == from;
        self.nodes.iter().position(|node| node.as_ref().is_some_and(is_there)).map(PortIndex)
    }

    /// The control port that carries this OSC address from there, if a control sends it.
    #[must_use]
    pub fn panel_port(&self, from: SocketAddr, address: &str) -> Option<PortIndex> {
        let from = from.ip().to_canonical();
        let is_meant = |port: &Option<(IpAddr, BTreeSet<String>)>| {
            port.as_ref().is_some_and(|(source, addresses)| *source == from && addresses.contains(address))
        };
        self.panels.iter().position(is_meant).map(PortIndex)
    }

    /// The first control port of kind OSC whose datagrams come from there, whatever they say.
    #[must_use]
    pub fn panel_at(&self, from: SocketAddr) -> Option<PortIndex> {
        let from = from.ip().to_canonical();
        let is_there = |port: &Option<(IpAddr, BTreeSet<String>)>| port.as_ref().is_some_and(|(at, _)| *at == from);
        self.panels.iter().position(is_there).map(PortIndex)
    }

    /// How many control ports the rig has; the inbox lane after theirs is the network's.
    #[must_use]
    pub fn control_ports(&self) -> usize {
        self.panels.len()
    }
}

/// Where a node on UDP is.
pub(super) fn node_address(reach: &Reach) -> Option<SocketAddr> {
    match reach {
        Reach::Node { line: NodeLine::Udp { address }, .. } => Some(*address),
        _ => None,
    }
}

/// The lines of a rig that give an address this role.
#[must_use]
pub fn rig_lines(address: IpAddr, role: Role) -> String {
    format!("[network.remote.\"{}\"]\nrole = \"{}\"", address.to_canonical(), role_word(role))
}

/// The word of a role, as the rig writes it.
#[must_use]
pub const fn role_word(role: Role) -> &'static str {
    match role {
        Role::See => "see",
        Role::Operate => "operate",
        Role::Administer => "administer",
    }
}

/// A sender that has no role.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RefusedSender {
    /// Its address.
    pub address: IpAddr,
    /// How often it was refused.
    pub count: u64,
    /// When it was refused last, on the monotonic clock.
    pub last: Duration,
}

/// The senders that were refused, at most [`REFUSED_SENDERS_MAX`].
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RefusedSenders {
    known: Vec<RefusedSender>,
    /// Refusals of senders for whom there was no place.
    pub others: u64,
}

impl RefusedSenders {
    /// Counts a refusal; says whether this sender is new here and should be shown.
    pub fn note(&mut self, address: IpAddr, now: Duration) -> bool {
        let address = address.to_canonical();
        if let Some(known) = self.known.iter_mut().find(|known| known.address == address) {
            known.count += 1;
            known.last = now;
            return false;
        }
        if self.known.len() == REFUSED_SENDERS_MAX {
            let quietest = self.known.iter().enumerate().min_by_key(|(_, known)| known.last);
            match quietest {
                Some((place, known)) if now.saturating_sub(known.last) >= QUIET => {
                    self.others += known.count;
                    self.known.swap_remove(place);
                }
                _ => {
                    self.others += 1;
                    return false;
                }
            }
        }
        self.known.push(RefusedSender { address, count: 1, last: now });
        true
    }

    /// The senders that are remembered.
    #[must_use]
    pub fn known(&self) -> &[RefusedSender] {
        &self.known
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::{Control, ControlKind, ControlPort, Network};

    fn rig() -> Rig {
        let ip = |text: &str| text.parse::<IpAddr>().expect(text);
        let osc = |id: &str, address: &str| ControlPort {
            id: id.into(),
            reach: Reach::Osc { address: ip(address), reply: None },
        };
        let midi = ControlPort { id: "frame".into(), reach: Reach::Midi { name: "Frame".into() } };
        Rig {
            rate: None,
            clock: None,
            devices: vec![],
            inputs: vec![],
            outputs: vec![],
            contacts: vec![],
            console: crate::profile::RigConsole::default(),
            control_ports: vec![midi, osc("box", "10.0.0.9"), osc("other-box", "10.0.0.9")],
            network: Network {
                listen: "0.0.0.0:9123".parse().expect("an address"),
                remotes: [(ip("10.0.0.7"), Role::Operate), (ip("10.0.0.8"), Role::See)].into(),
                wired_control: vec![ip("10.0.0.1")],
                followers: vec![],
            },
            storage: None,
            call: None,
        }
    }

    fn panel() -> Panel {
        let control = |id: &str, port: &str, address: &str| Control {
            id: id.into(),
            place: String::new(),
            kind: ControlKind::Fader,
            port: port.into(),
            message: Message::Osc { address: address.into(), lowest: 0.0, highest: 1.0 },
            calibration: None,
            travel_mm: 100.0,
            feedback: false,
        };
        Panel { controls: vec![control("f", "box", "/f"), control("g", "other-box", "/g")] }
    }

    fn from(text: &str) -> SocketAddr {
        text.parse().expect(text)
    }

    #[test]
    fn an_address_has_the_role_the_rig_gives_it_and_loopback_administers() {
        let access = Access::new(&rig(), &panel());
        for (source, role) in [
            ("127.0.0.1:5", Some(Role::Administer)),
            ("127.8.9.1:5", Some(Role::Administer)),
            ("[::1]:5", Some(Role::Administer)),
            ("[::ffff:127.0.0.1]:5", Some(Role::Administer)),
            ("10.0.0.7:5", Some(Role::Operate)),
            ("[::ffff:10.0.0.7]:6", Some(Role::Operate)),
            ("10.0.0.8:5", Some(Role::See)),
            ("10.0.0.9:5", None),
            ("[fe80::7]:5", None),
        ] {
            assert_eq!(access.role(from(source)), role, "{source}");
        }
    }

    #[test]
    fn microphones_are_opened_from_loopback_and_on_wired_control_only() {
        let access = Access::new(&rig(), &panel());
        for (source, at, may) in [
            ("127.0.0.1:5", "127.0.0.1", true),
            ("127.0.0.1:5", "0.0.0.0", true),
            ("10.0.0.7:5", "10.0.0.1", true),
            ("10.0.0.7:5", "::ffff:10.0.0.1", true),
            ("10.0.0.7:5", "0.0.0.0", false),
            ("10.0.0.1:5", "10.0.0.2", false),
        ] {
            assert_eq!(access.may_open_microphones(from(source), at.parse().expect(at)), may, "{source} at {at}");
        }
    }

    #[test]
    fn a_panel_speaks_only_by_the_addresses_of_its_own_controls() {
        let access = Access::new(&rig(), &panel());
        assert_eq!(access.panel_port(from("10.0.0.9:1"), "/f"), Some(PortIndex(1)));
        assert_eq!(access.panel_port(from("10.0.0.9:1"), "/g"), Some(PortIndex(2)));
        assert_eq!(access.panel_port(from("10.0.0.9:1"), "/h"), None);
        assert_eq!(access.panel_port(from("10.0.0.7:1"), "/f"), None);
        assert!(access.is_panel(from("[::ffff:10.0.0.9]:1")) && !access.is_panel(from("10.0.0.7:1")));
        assert_eq!(access.control_ports(), 3);
    }

    #[test]
    fn refused_senders_are_shown_once_and_their_table_is_bounded() {
        let mut refused = RefusedSenders::default();
        let address = |n: u32| IpAddr::from(n.to_be_bytes());
        let second = Duration::from_secs;
        assert!(refused.note(address(1), second(0)) && !refused.note(address(1), second(1)));
        assert_eq!(refused.known(), [RefusedSender { address: address(1), count: 2, last: second(1) }]);
        let shown = (2..100_000).filter(|n| refused.note(address(*n), second(2))).count();
        assert_eq!((shown, refused.known().len(), refused.others), (63, 64, 100_000 - 65));
        // A minute later the one that has been quiet longest makes room, and its count is not lost.
        assert!(!refused.note(address(200_000), second(60)) && refused.note(address(200_000), second(61)));
        assert_eq!(refused.others, 100_000 - 65 + 1 + 2);
        assert!(refused.known().iter().all(|known| known.address != address(1)));
        assert_eq!(rig_lines(address(0x0A00_0007), Role::Operate), "[network.remote.\"10.0.0.7\"]\nrole = \"operate\"");
    }
}
