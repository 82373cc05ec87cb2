//! Opening a client on a JACK server by the server's name, and hearing of its end: what the `jack` crate leaves unsafe.
//!
//! `jack::Client::new` cannot name a server: its option `SERVER_NAME` is marked as not implemented (jack 0.13.5), since
//! the name is a variadic argument of the C function. The other way in, `JACK_DEFAULT_SERVER`, belongs to the whole
//! process, and writing to the environment is unsafe as well. When the crate can take a name, [`open`] can go.

#![expect(
    unsafe_code,
    reason = "the C library is called directly to name a server, and the crate marks its shutdown callback unsafe"
)]

use jack::jack_sys;
use jack::{Client, ClientStatus, Control, Frames, NotificationHandler, PortId};
use std::ffi::{CString, c_char, c_uint};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering::Relaxed};
use std::sync::{Arc, Mutex, MutexGuard, Once, PoisonError};

/// `JackNoStartServer`: this program never starts a server.
const NO_START_SERVER: c_uint = 1;
/// `JackServerName`: one more argument follows, the name of the server.
const SERVER_NAME: c_uint = 4;

type ClientOpen = unsafe extern "C" fn(*const c_char, c_uint, *mut c_uint, ...) -> *mut jack_sys::jack_client_t;

/// The server that this process talks to, and how many clients it has there.
static SERVER: Mutex<(String, usize)> = Mutex::new((String::new(), 0));

/// Whether that server has ended, with clients of it still to be closed. Set in shutdown notifications, cleared with the last
/// lease; relaxed order is enough, since nothing is published through it.
static ENDED: AtomicBool = AtomicBool::new(false);

/// Clients that are being closed. A hanging server can end meanwhile, and then says so to nobody.
static CLOSING: AtomicUsize = AtomicUsize::new(0);

fn server() -> MutexGuard<'static, (String, usize)> {
    SERVER.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A client and its share in the one server. The client is dropped first, as the order of the fields says; whoever takes
/// them apart keeps that order (a lease inside of what is given to `activate_async` is dropped after the client).
#[derive(Debug)]
pub struct ServerClient {
    /// The client, not yet active.
    pub client: Client,
    /// To be kept until the client is closed.
    pub lease: Lease,
}

/// Keeps clients of another server out, which would share the memory of this one. A server that was started again counts as
/// another one, so whoever is told [`Notices::gone`] closes its client soon.
#[derive(Debug)]
pub struct Lease(Arc<AtomicBool>);

/// Says that the client of a lease is about to be closed.
#[derive(Clone, Debug)]
pub struct Closing(Arc<AtomicBool>);

impl Lease {
    /// To be kept by whoever will close the client.
    #[must_use]
    pub fn closing(&self) -> Closing {
        Closing(Arc::clone(&self.0))
    }
}

impl Closing {
    /// Called before the client is closed: until that is done, [`open`] refuses.
    pub fn begin(&self) {
        if !self.0.swap(true, Relaxed) {
            CLOSING.fetch_add(1, Relaxed);
        }
    }
}

impl Drop for Lease {
    fn drop(&mut self) {
        let mut in_use = server();
        if self.0.swap(true, Relaxed) {
            CLOSING.fetch_sub(1, Relaxed);
        }
        in_use.1 -= 1;
        if in_use.1 == 0 {
            ENDED.store(false, Relaxed);
        }
    }
}

/// Why there is no client.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ServerError {
    /// No JACK library can be loaded.
    NoLibrary(String),
    /// The process has clients on the server of this name, and the library can serve one server at a time only.
    OtherServerInUse(String),
    /// A client of this process is being closed, or the server has ended and its clients are not closed yet.
    StillClosing,
    /// No server of that name answers, or it refuses.
    NoAnswer(ClientStatus),
}

/// What the server said, in words; the bits are those of `jack/types.h`.
fn refusal(status: ClientStatus) -> &'static str {
    [
        (ClientStatus::VERSION_ERROR, "speaks another version than the library of this program"),
        (ClientStatus::NAME_NOT_UNIQUE, "has a client of this name already"),
        (ClientStatus::SHM_FAILURE, "cannot be reached: its memory belongs to somebody else"),
        (ClientStatus::INVALID_OPTION, "does not take this name"),
    ]
    .into_iter()
    .find(|(bit, _)| status.contains(*bit))
    .map_or("does not answer: is it running, as this user?", |(_, words)| words)
}

impl std::fmt::Display for ServerError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoLibrary(why) => write!(f, "the JACK library is not installed: {why}"),
            Self::OtherServerInUse(name) => {
                write!(f, "this process already talks to the JACK server \"{name}\", and can talk to one only")
            }
            Self::StillClosing => f.write_str("clients of a JACK server that has ended are still being closed"),
            Self::NoAnswer(status) => write!(f, "the JACK server {}", refusal(*status)),
        }
    }
}

impl std::error::Error for ServerError {}

/// Opens a client on the server of that name, or on the default one (`JACK_DEFAULT_SERVER`, else "default") when it is
/// empty. Starts no server. Another client of that name makes this one `name-01`.
///
/// # Errors
/// See [`ServerError`]; all of them may have gone at a later try.
///
/// Real-time: never
pub fn open(client: &str, server_name: &str) -> Result<ServerClient, ServerError> {
    let library = jack_sys::library().map_err(|error| ServerError::NoLibrary(error.to_string()))?;
    // Once per process: the library's messages go to the log and not to the terminal.
    static LOGGER: Once = Once::new();
    LOGGER.call_once(|| jack::set_logger(jack::LoggerType::Log));

    let name = if server_name.is_empty() {
        std::env::var("JACK_DEFAULT_SERVER").unwrap_or_else(|_| "default".into())
    } else {
        server_name.to_owned()
    };
    let unfit = |_| ServerError::NoAnswer(ClientStatus::INVALID_OPTION);
    let client_name = CString::new(client).map_err(unfit)?;
    let c_name = CString::new(name.as_str()).map_err(unfit)?;

    // Held while the library opens: it keeps the graph of "the" server in a global, so that a client of a second server
    // reads foreign memory (with jackd2 1.9.21 the process crashes within a second). Closing a client of a server that has
    // ended does the same to the clients of its successor.
    let mut in_use = server();
    if in_use.1 > 0 && in_use.0 != name {
        return Err(ServerError::OtherServerInUse(in_use.0.clone()));
    }
    if CLOSING.load(Relaxed) > 0 || in_use.1 > 0 && ENDED.load(Relaxed) {
        return Err(ServerError::StillClosing);
    }
    let mut status: c_uint = 0;
    // SAFETY: the symbol is `jack_client_t *jack_client_open(const char *, jack_options_t, jack_status_t *, ...)` of
    // <jack/jack.h>, which `ClientOpen` repeats (C enums are `unsigned int` here, as in jack-sys). All pointers live for
    // the whole call, and the variadic argument that `SERVER_NAME` announces is passed.
    let raw = unsafe {
        let open = library
            .get::<ClientOpen>(b"jack_client_open\0")
            .map_err(|error| ServerError::NoLibrary(error.to_string()))?;
        open(client_name.as_ptr(), NO_START_SERVER | SERVER_NAME, &raw mut status, c_name.as_ptr())
    };
    if raw.is_null() {
        return Err(ServerError::NoAnswer(ClientStatus::from_bits_truncate(status)));
    }
    *in_use = (name, in_use.1 + 1);
    // SAFETY: a client that `jack_client_open` has just returned, and that nothing else owns.
    Ok(ServerClient { client: unsafe { Client::from_raw(raw) }, lease: Lease(Arc::default()) })
}

/// Called when a client is told that its server has ended: none is opened on its successor until the clients of this one
/// are closed.
pub fn ended() {
    ENDED.store(true, Relaxed);
}

/// What a JACK client is told outside its audio thread. None of these may wait, and `gone` may only store to atomics: it can
/// run where a signal handler would.
pub trait Notices: Send + Sync + 'static {
    /// The server has ended or thrown us out; nothing else follows.
    fn gone(&self);
    /// The server missed a deadline.
    fn xrun(&self) {}
    /// The server runs at this rate in Hz; told once at activation.
    fn rate(&self, _hz: u32) {}
    /// A port appeared or disappeared, or the connections changed.
    fn graph(&self) {}
}

/// Hands the notifications of the `jack` crate on to [`Notices`]; every client is to be activated with it.
#[derive(Debug)]
pub struct Notified<N>(pub N);

impl<N: Notices> NotificationHandler for Notified<N> {
    // SAFETY: the crate marks this unsafe since its body must be fit for a signal handler; `Notices::gone` promises that.
    unsafe fn shutdown(&mut self, _: ClientStatus, _: &str) {
        ended();
        self.0.gone();
    }

    fn sample_rate(&mut self, _: &Client, hz: Frames) -> Control {
        self.0.rate(hz);
        Control::Continue
    }

    fn port_registration(&mut self, _: &Client, _: PortId, _: bool) {
        self.0.graph();
    }

    fn graph_reorder(&mut self, _: &Client) -> Control {
        self.0.graph();
        Control::Continue
    }

    fn xrun(&mut self, _: &Client) -> Control {
        self.0.xrun();
        Control::Continue
    }
}
