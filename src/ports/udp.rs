//! UDP sockets, bound through `socket2`: tokio's own do not let a wildcard address and one of its interfaces
//! stand side by side.

use socket2::{Domain, Protocol, SockRef, Socket, Type};
use std::io;
use std::net::SocketAddr;
use tokio::net::UdpSocket;

/// What waits in the kernel for a socket, in bytes; the system may give less.
const RECEIVE_BYTES: usize = 1 << 20;

/// A socket bound to this address; when `shared`, beside others that share the port for now (see [`share`]).
///
/// # Errors
/// As the system says: the port is taken, or the address is not one of this machine now.
///
/// # Panics
/// Outside a tokio runtime.
pub fn bind(address: SocketAddr, shared: bool) -> io::Result<UdpSocket> {
    let socket = Socket::new(Domain::for_address(address), Type::DGRAM, Some(Protocol::UDP))?;
    socket.set_nonblocking(true)?;
    socket.set_reuse_address(shared)?;
    // The default will do where this is refused.
    drop(socket.set_recv_buffer_size(RECEIVE_BYTES));
    socket.bind(&address.into())?;
    UdpSocket::from_std(socket.into())
}

/// Lets others that also share bind to the port of this socket, or forbids it. It is allowed only while our own
/// sockets are bound: otherwise any program on the machine could take the datagrams of a port that is in use.
///
/// # Errors
/// As the system says.
pub fn share(socket: &UdpSocket, shared: bool) -> io::Result<()> {
    SockRef::from(socket).set_reuse_address(shared)
}

/// Sends a datagram now or not at all; asks the system itself, since tokio first has to be told that a new
/// socket can be written to.
///
/// # Errors
/// [`io::ErrorKind::WouldBlock`] when there is no room now, and as the system says.
pub fn send(socket: &UdpSocket, to: SocketAddr, bytes: &[u8]) -> io::Result<()> {
    SockRef::from(socket).send_to(bytes, &to.into()).map(|_| ())
}
