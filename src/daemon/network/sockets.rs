//! The sockets of the desk: one for the address that the rig listens on, one for loopback, one for each wired
//! address, so that a socket knows where its datagrams came in.

use super::super::access::node_address;
use crate::ports::udp;
use crate::profile::{Network, Reach, Rig};
use crate::words::log;
use std::collections::BTreeMap;
use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::Arc;
use tokio::net::UdpSocket;
use tokio::task::JoinHandle;

/// Senders whose socket is remembered, so that they are answered from the address they wrote to.
const PEERS_MAX: usize = 1024;

/// Which sockets there should be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Wanted {
    port: u16,
    /// The rig's own address first.
    listen: Vec<IpAddr>,
    /// Whether something is sent to remote addresses while none is listened on.
    outward: bool,
}

impl Wanted {
    pub(super) fn new(rig: &Rig) -> Self {
        let Network { listen, wired_control, followers, .. } = &rig.network;
        let loopback =
            if listen.is_ipv4() { IpAddr::from(Ipv4Addr::LOCALHOST) } else { IpAddr::from(Ipv6Addr::LOCALHOST) };
        let mut addresses = vec![listen.ip()];
        if !listen.ip().is_unspecified() && !listen.ip().is_loopback() {
            addresses.push(loopback);
        }
        for wired in wired_control {
            if !addresses.contains(wired) {
                addresses.push(*wired);
            }
        }
        let replies = rig.control_ports.iter().filter_map(|port| match port.reach {
            Reach::Osc { reply, .. } => reply,
            ref reach => node_address(reach),
        });
        let mut told = followers.iter().map(|follower| follower.address).chain(replies);
        let outward =
            addresses.iter().all(IpAddr::is_loopback) && told.any(|address| !address.ip().to_canonical().is_loopback());
        Self { port: listen.port(), listen: addresses, outward }
    }
}

#[derive(Debug)]
struct Bound {
    wanted: IpAddr,
    local: SocketAddr,
    socket: Arc<UdpSocket>,
    /// Receives, until this is dropped.
    task: JoinHandle<()>,
}

impl Drop for Bound {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// The sockets there are.
#[derive(Debug, Default)]
pub(super) struct Sockets {
    /// Nothing is bound any more.
    closed: bool,
    wanted_port: u16,
    bound: Vec<Bound>,
    outward: Vec<UdpSocket>,
    /// Addresses that could not be bound, and why.
    missing: BTreeMap<SocketAddr, String>,
    peers: BTreeMap<SocketAddr, (IpAddr, u64)>,
    peer_count: u64,
}

impl Sockets {
    /// Closes what is not wanted any more and binds what is. Called again while something is missing. `receive`
    /// starts a task that receives from a socket.
    pub(super) fn bind(&mut self, wanted: &Wanted, receive: impl Fn(Arc<UdpSocket>, IpAddr) -> JoinHandle<()>) {
        if self.closed {
            return;
        }
        let same_port = self.wanted_port == wanted.port;
        self.wanted_port = wanted.port;
        self.bound.retain(|bound| same_port && wanted.listen.contains(&bound.wanted));
        let missed_before = std::mem::take(&mut self.missing);
        // Linux lets a wildcard and one of its addresses have the same port only while both share.
        let shared = wanted.listen.len() > 1 && wanted.listen.iter().any(IpAddr::is_unspecified);
        self.share(shared);
        for &address in &wanted.listen {
            if self.bound.iter().any(|bound| bound.wanted == address) {
                continue;
            }
            // Port 0 takes any free port for the first address, and the same for the others.
            let port = self.bound.first().map_or(wanted.port, |bound| bound.local.port());
            let at = SocketAddr::new(address, port);
            let bound = udp::bind(at, shared).and_then(|socket| Ok((socket.local_addr()?, Arc::new(socket))));
            match bound {
                Ok((local, socket)) => {
                    tracing::info!("{}", log::osc_on(local));
                    let task = receive(Arc::clone(&socket), address);
                    self.bound.push(Bound { wanted: address, local, socket, task });
                }
                Err(error) => {
                    if !missed_before.contains_key(&at) {
                        tracing::error!("{}", log::osc_not_on(at, &error));
                    }
                    self.missing.insert(at, error.to_string());
                }
            }
        }
        self.share(false);
        self.bind_outward(wanted.outward);
    }

    /// Closes everything, for good.
    pub(super) fn close(&mut self) {
        *self = Self { closed: true, ..Self::default() };
    }

    /// While our own sockets are bound they may share the port; nobody else may afterwards.
    fn share(&self, shared: bool) {
        for bound in &self.bound {
            if let Err(error) = udp::share(&bound.socket, shared) {
                tracing::error!("{}", log::port_not_ours(bound.local, error));
            }
        }
    }

    fn bind_outward(&mut self, wanted: bool) {
        if !wanted {
            self.outward.clear();
        } else if self.outward.is_empty() {
            let any = [IpAddr::from(Ipv4Addr::UNSPECIFIED), IpAddr::from(Ipv6Addr::UNSPECIFIED)];
            self.outward = any.into_iter().filter_map(|any| udp::bind(SocketAddr::new(any, 0), false).ok()).collect();
        }
    }

    /// Whether an address could not be bound.
    pub(super) fn is_incomplete(&self) -> bool {
        !self.missing.is_empty()
    }

    /// What could not be bound, and why.
    pub(super) const fn missing(&self) -> &BTreeMap<SocketAddr, String> {
        &self.missing
    }

    /// Where is listened, the rig's own address first.
    pub(super) fn local_addresses(&self) -> Vec<SocketAddr> {
        self.bound.iter().map(|bound| bound.local).collect()
    }

    /// Remembers by which of our addresses a sender reached us.
    pub(super) fn heard(&mut self, from: SocketAddr, at: IpAddr) {
        if self.bound.len() < 2 {
            return;
        }
        self.peer_count += 1;
        if self.peers.len() >= PEERS_MAX
            && !self.peers.contains_key(&from)
            && let Some(oldest) = self.peers.iter().min_by_key(|(_, (_, heard))| *heard).map(|(peer, _)| *peer)
        {
            self.peers.remove(&oldest);
        }
        self.peers.insert(from, (at, self.peer_count));
    }

    /// Sends now or not at all.
    ///
    /// # Errors
    /// As the system says, or that no socket leads there.
    pub(super) fn send(&self, to: SocketAddr, bytes: &[u8]) -> io::Result<()> {
        let leads_there = |local: IpAddr| {
            let family = local.is_ipv4() == to.is_ipv4();
            family && (local.is_unspecified() || local.is_loopback() == to.ip().is_loopback())
        };
        let heard_at = self.peers.get(&to).map(|(at, _)| *at);
        let bound = (self.bound.iter().find(|bound| Some(bound.wanted) == heard_at))
            .or_else(|| self.bound.iter().find(|bound| leads_there(bound.local.ip())))
            .map(|bound| &*bound.socket)
            .or_else(|| self.outward.iter().find(|socket| socket.local_addr().is_ok_and(|at| leads_there(at.ip()))));
        match bound {
            Some(socket) => udp::send(socket, to, bytes),
            // A wildcard of IPv6 serves IPv4 as well.
            None => match (to, self.bound.iter().find(|bound| bound.local.ip() == Ipv6Addr::UNSPECIFIED)) {
                (SocketAddr::V4(v4), Some(bound)) => {
                    udp::send(&bound.socket, SocketAddr::new(v4.ip().to_ipv6_mapped().into(), v4.port()), bytes)
                }
                _ => Err(io::Error::new(io::ErrorKind::AddrNotAvailable, log::NO_WAY_THERE)),
            },
        }
    }
}
