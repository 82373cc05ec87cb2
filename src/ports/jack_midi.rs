//! MIDI over a JACK server, through the `jack` crate, on a client of its own: never the audio client, because this
//! one's callback wakes a thread when bytes came.
//!
//! The callback moves whole messages between JACK's buffers and two rings; one thread delivers them, makes the links
//! and opens the client again when the server comes back.

use super::control::{
    BackOff, ControlOut, ControlSink, OUTGOING_BYTES, OUTGOING_MESSAGES, OpenControl, Stop, Teller, Worker, lock,
};
use super::jack_server::{self, Lease, ServerClient};
use jack::{AsyncClient, Client, ClientStatus, Control, MidiIn, MidiOut, Port, PortId, ProcessScope};
use rtrb::{Consumer, Producer, RingBuffer};
use std::io;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::Thread;
use std::time::{Duration, Instant};

/// Bytes from the panel that may wait for the delivering thread: 37,000 messages of three bytes, or a long system
/// exclusive dump.
const INCOMING_BYTES: usize = 256 * 1024;

/// Bytes to the panel that may wait for the callback: at least 31 of the longest messages, over 256 of the usual ones.
const OUTGOING_RING_BYTES: usize = 32 * 1024;

/// A message in a ring is its length, little-endian, and its bytes.
const LENGTH_BYTES: usize = 4;

/// Whatever was not noticed by an event is looked at this often.
const LOOK: Duration = Duration::from_millis(500);
const FIRST_WAIT: Duration = Duration::from_millis(100);
const LONGEST_WAIT: Duration = Duration::from_secs(1);

/// Time for libjack's threads to leave our callbacks after the server's death, which takes them microseconds.
const LEAVE_CALLBACKS: Duration = Duration::from_millis(200);

/// A server that has not called for so long is given up and opened anew.
const STALL: Duration = Duration::from_secs(3);

/// Opens a JACK client of this name with one port `in` and one port `out`, linked from `link_input` and to `link_output`
/// (full port names; empty leaves the linking to others). Neither server nor ports need be there yet. Links are
/// made when the ports appear, and again when they come back; one that a person took away stays away until then.
///
/// `Found` is told when the client is active and then for each link made; `Lost` for each linked port that goes,
/// and for the server.
///
/// The `jack` crate 0.13 cannot ask for a server by name: an empty `server` is the default one, which the
/// environment variable `JACK_DEFAULT_SERVER` names; any other name is told as `Lost` with that advice.
///
/// # Errors
/// Only when no thread can be started.
pub fn open_jack_midi(
    server: &str,
    client_name: &str,
    link_input: &str,
    link_output: &str,
    sink: ControlSink,
) -> io::Result<OpenControl> {
    let out = Arc::new(JackOut { ring: Mutex::new(None), dropped: AtomicU64::new(0) });
    let mut monitor = Monitor {
        server: server.to_owned(),
        client_name: client_name.to_owned(),
        names: [link_input.to_owned(), link_output.to_owned()],
        teller: Teller::new(sink),
        out: Arc::clone(&out),
    };
    let worker = Worker::spawn("jack-midi", move |stop| monitor.run(stop))?;
    Ok(OpenControl::new(out, worker))
}

/// What JACK's threads tell the monitor.
struct Shared {
    server_gone: AtomicBool,
    names: [String; 2],
    /// The port of that name was registered since the monitor looked.
    appeared: [AtomicBool; 2],
    /// Any port came or went since then.
    ports_changed: AtomicBool,
    /// Callbacks so far.
    periods: AtomicU64,
    lost_in: AtomicU64,
    lost_out: AtomicU64,
}

struct JackOut {
    /// There while the client is active.
    ring: Mutex<Option<Producer<u8>>>,
    dropped: AtomicU64,
}

impl ControlOut for JackOut {
    fn send(&self, bytes: &[u8]) -> bool {
        let sent = bytes.len() <= OUTGOING_BYTES
            && !bytes.is_empty()
            && lock(&self.ring).as_mut().is_some_and(|ring| push_message(ring, bytes));
        if !sent {
            self.dropped.fetch_add(1, Ordering::Relaxed);
        }
        sent
    }

    fn dropped(&self) -> u64 {
        self.dropped.load(Ordering::Relaxed)
    }
}

/// Whole, or not at all.
/// Real-time: safe
fn push_message(ring: &mut Producer<u8>, bytes: &[u8]) -> bool {
    let Ok(length) = u32::try_from(bytes.len()) else { return false };
    let Ok(mut chunk) = ring.write_chunk(LENGTH_BYTES + bytes.len()) else { return false };
    let (first, second) = chunk.as_mut_slices();
    let message = length.to_le_bytes().into_iter().chain(bytes.iter().copied());
    for (slot, byte) in first.iter_mut().chain(second).zip(message) {
        *slot = byte;
    }
    chunk.commit_all();
    true
}

/// The first message in the ring, copied into `buffer` and shown to `taken`; it leaves the ring if that says true.
/// The buffer holds the longest message that the writer accepts, so none is too long for it.
/// Real-time: safe
fn read_message<'b>(
    ring: &mut Consumer<u8>,
    buffer: &'b mut [u8],
    taken: impl FnOnce(&[u8]) -> bool,
) -> Option<&'b [u8]> {
    let mut length = [0; LENGTH_BYTES];
    copy_out(ring.read_chunk(LENGTH_BYTES).ok()?.as_slices(), &mut length);
    let length = u32::from_le_bytes(length) as usize;
    // The writer commits whole messages, so the bytes are there when the length is.
    let chunk = ring.read_chunk(LENGTH_BYTES + length).ok()?;
    let buffer = buffer.get_mut(..LENGTH_BYTES + length)?;
    copy_out(chunk.as_slices(), buffer);
    let message = &buffer[LENGTH_BYTES..];
    if taken(message) {
        chunk.commit_all();
        Some(message)
    } else {
        None
    }
}

fn copy_out((first, second): (&[u8], &[u8]), to: &mut [u8]) {
    for (to, from) in to.iter_mut().zip(first.iter().chain(second)) {
        *to = *from;
    }
}

struct Callback {
    input: Port<MidiIn>,
    output: Port<MidiOut>,
    from_panel: Producer<u8>,
    to_panel: Consumer<u8>,
    buffer: [u8; LENGTH_BYTES + OUTGOING_BYTES],
    /// The server's frame time at which the next callback is due; it wraps.
    next_frame: Option<u32>,
    shared: Arc<Shared>,
    deliver: Thread,
}

impl Callback {
    fn skipped_periods(&self, now: u32, frames: u32) -> u64 {
        let gap = now.wrapping_sub(self.next_frame.unwrap_or(now));
        u64::from(gap / frames.max(1)).clamp(1, 1_000)
    }
}

impl jack::ProcessHandler for Callback {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let now = scope.last_frame_time();
        if self.next_frame.is_some_and(|expected| expected != now) {
            // An xrun: the periods in between, and their bytes, went by without us.
            self.shared.lost_in.fetch_add(self.skipped_periods(now, scope.n_frames()), Ordering::Relaxed);
        }
        self.next_frame = Some(now.wrapping_add(scope.n_frames()));
        let mut came = false;
        for event in self.input.iter(scope) {
            if push_message(&mut self.from_panel, event.bytes) {
                came = true;
            } else {
                self.shared.lost_in.fetch_add(1, Ordering::Relaxed);
            }
        }
        let mut writer = self.output.writer(scope);
        for sent in 0..OUTGOING_MESSAGES {
            let written = read_message(&mut self.to_panel, &mut self.buffer, |bytes| {
                let full = writer.write(&jack::RawMidi { time: 0, bytes }).is_err();
                if full && sent == 0 {
                    // Not even into an empty buffer: it will never fit.
                    self.shared.lost_out.fetch_add(1, Ordering::Relaxed);
                }
                !full || sent == 0
            });
            if written.is_none() {
                break;
            }
        }
        self.shared.periods.fetch_add(1, Ordering::Relaxed);
        if came {
            self.deliver.unpark();
        }
        Control::Continue
    }
}

struct Notices {
    shared: Arc<Shared>,
    deliver: Thread,
}

impl jack::NotificationHandler for Notices {
    #[expect(unsafe_code, reason = "the trait declares this method unsafe to call; nothing unsafe is done in it")]
    unsafe fn shutdown(&mut self, _: ClientStatus, _: &str) {
        jack_server::ended();
        self.shared.server_gone.store(true, Ordering::Release);
        self.deliver.unpark();
    }

    fn port_registration(&mut self, client: &Client, id: PortId, registered: bool) {
        if registered
            && let Some(name) = client.port_by_id(id).and_then(|port| port.name().ok())
            && let Some(link) = self.shared.names.iter().position(|wanted| *wanted == name)
        {
            self.shared.appeared[link].store(true, Ordering::Release);
        }
        self.shared.ports_changed.store(true, Ordering::Release);
        self.deliver.unpark();
    }
}

/// How a link we are to make stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Link {
    /// Nobody asked for one.
    Unwanted,
    /// The other port is not there, and whether that was told.
    Missing { told: bool },
    /// The other port is there; so many attempts failed (its client may not be active yet).
    Pending { attempts: u32 },
    /// Made. If a person takes it away, it stays away until the port comes anew.
    Made,
}

impl Link {
    fn new(name: &str) -> Self {
        if name.is_empty() { Self::Unwanted } else { Self::Missing { told: false } }
    }
}

/// Attempts at a link, one every [`LINK_WAIT`], before its failing is told: a second.
const TELL_ATTEMPTS: u32 = 20;
const LINK_WAIT: Duration = Duration::from_millis(50);

struct Session {
    active: AsyncClient<Notices, Callback>,
    from_panel: Consumer<u8>,
    shared: Arc<Shared>,
    links: [Link; 2],
    ours: [String; 2],
    /// Dropped after the client.
    lease: Lease,
}

struct Monitor {
    server: String,
    client_name: String,
    names: [String; 2],
    teller: Teller,
    out: Arc<JackOut>,
}

impl Monitor {
    fn run(&mut self, stop: &Stop) {
        let mut back_off = BackOff::new(FIRST_WAIT, LONGEST_WAIT);
        while !stop.asked() {
            match self.open() {
                Ok(session) => {
                    back_off.reset();
                    let why = self.carry(session, stop);
                    if !stop.asked() {
                        self.teller.lost(&why);
                    }
                }
                Err(why) => self.teller.lost(&why),
            }
            stop.wait(back_off.next(), || false);
        }
    }

    fn open(&mut self) -> Result<Session, String> {
        let opened = jack_server::open(&self.client_name, &self.server).map_err(|error| error.to_string())?;
        let ServerClient { client, lease } = opened;
        let text = |error: jack::Error| error.to_string();
        let input = client.register_port("in", MidiIn::default()).map_err(text)?;
        let output = client.register_port("out", MidiOut::default()).map_err(text)?;
        let ours = [input.name().map_err(text)?, output.name().map_err(text)?];
        let (push_in, from_panel) = RingBuffer::new(INCOMING_BYTES);
        let (push_out, to_panel) = RingBuffer::new(OUTGOING_RING_BYTES);
        let shared = Arc::new(Shared {
            server_gone: AtomicBool::new(false),
            names: self.names.clone(),
            appeared: Default::default(),
            ports_changed: AtomicBool::new(true),
            periods: AtomicU64::new(0),
            lost_in: AtomicU64::new(0),
            lost_out: AtomicU64::new(0),
        });
        let deliver = std::thread::current();
        let notices = Notices { shared: Arc::clone(&shared), deliver: deliver.clone() };
        let callback = Callback {
            input,
            output,
            from_panel: push_in,
            to_panel,
            buffer: [0; LENGTH_BYTES + OUTGOING_BYTES],
            next_frame: None,
            shared: Arc::clone(&shared),
            deliver,
        };
        let active = client.activate_async(notices, callback).map_err(text)?;
        *lock(&self.out.ring) = Some(push_out);
        let links = [Link::new(&self.names[0]), Link::new(&self.names[1])];
        if links[0] == Link::Unwanted {
            self.teller.found(&format!("JACK client \"{}\"", active.as_client().name()));
        }
        Ok(Session { active, from_panel, shared, links, ours, lease })
    }

    /// Delivers and links until the server is gone or a stop is asked; gives the reason.
    fn carry(&mut self, mut session: Session, stop: &Stop) -> String {
        let mut buffer = vec![0; LENGTH_BYTES + INCOMING_BYTES];
        let shared = Arc::clone(&session.shared);
        let mut stall = Stall { periods: 0, since: Instant::now() };
        while !stop.asked() && !shared.server_gone.load(Ordering::Acquire) && !stall.is_long(&shared) {
            while let Some(bytes) = read_message(&mut session.from_panel, &mut buffer, |_| true) {
                self.teller.bytes(bytes);
            }
            let lost = shared.lost_in.swap(0, Ordering::Relaxed);
            if lost > 0 {
                self.teller.dropped(lost);
            }
            self.out.dropped.fetch_add(shared.lost_out.swap(0, Ordering::Relaxed), Ordering::Relaxed);
            shared.ports_changed.store(false, Ordering::Release);
            self.make_links(&mut session);
            let trying = |link: &Link| matches!(link, Link::Pending { attempts } if *attempts < TELL_ATTEMPTS);
            let wait = if session.links.iter().any(trying) { LINK_WAIT } else { LOOK };
            stop.wait(wait, || {
                !session.from_panel.is_empty()
                    || shared.server_gone.load(Ordering::Acquire)
                    || shared.ports_changed.load(Ordering::Acquire)
            });
        }
        *lock(&self.out.ring) = None;
        if shared.server_gone.load(Ordering::Acquire) {
            // libjack cancels its threads when a client is closed, wherever they are, and a thread that is cancelled
            // inside the crate's `catch_unwind` aborts the process ("exception not rethrown"; seen here once in
            // ten deaths of a server). The thread that told us of the end is still on its way out of our callback.
            std::thread::sleep(LEAVE_CALLBACKS);
        }
        // A client of a server that is stopped may hold us here until that goes on. The lease goes last.
        let Session { active, lease, .. } = session;
        lease.closing().begin();
        drop(active);
        self.out.dropped.fetch_add(shared.lost_out.swap(0, Ordering::Relaxed), Ordering::Relaxed);
        if shared.server_gone.load(Ordering::Acquire) {
            "the JACK server is gone".to_owned()
        } else {
            format!("the JACK server has not called for {} s", STALL.as_secs())
        }
    }

    fn make_links(&mut self, session: &mut Session) {
        let client = session.active.as_client();
        for (number, link) in session.links.iter_mut().enumerate() {
            let name = &self.names[number];
            if *link == Link::Unwanted {
                continue;
            }
            let appeared = session.shared.appeared[number].swap(false, Ordering::AcqRel);
            if client.port_by_name(name).is_none() {
                if !matches!(link, Link::Missing { told: true }) {
                    self.teller.lost(&format!("the JACK port \"{name}\" is not there"));
                    *link = Link::Missing { told: true };
                }
                continue;
            }
            // The news of a port may come after we saw and linked it.
            let is_new = appeared && !is_linked(client, &session.ours[number], name);
            if is_new || matches!(link, Link::Missing { .. }) {
                *link = Link::Pending { attempts: 0 };
            }
            let Link::Pending { attempts } = link else { continue };
            let ours = &session.ours[number];
            let (from, to) = if number == 0 { (name, ours) } else { (ours, name) };
            match client.connect_ports_by_name(from, to) {
                Ok(()) | Err(jack::Error::PortAlreadyConnected(..)) => {
                    *link = Link::Made;
                    self.teller.found(&format!("{from} linked to {to}"));
                }
                Err(error) => {
                    *attempts = attempts.saturating_add(1);
                    if *attempts == TELL_ATTEMPTS {
                        self.teller.lost(&error.to_string());
                    }
                }
            }
        }
    }
}

fn is_linked(client: &Client, ours: &str, name: &str) -> bool {
    client.port_by_name(ours).is_some_and(|port| port.is_connected_to(name).unwrap_or(false))
}

/// Notices a server that calls no more without saying that it is gone (a stopped jackd, a killed PipeWire).
struct Stall {
    periods: u64,
    since: Instant,
}

impl Stall {
    fn is_long(&mut self, shared: &Shared) -> bool {
        let periods = shared.periods.load(Ordering::Relaxed);
        if periods != self.periods {
            *self = Self { periods, since: Instant::now() };
        }
        self.since.elapsed() >= STALL
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_cross_a_ring_whole_and_in_order_around_its_end() {
        let (mut push, mut pull) = RingBuffer::new(50);
        let mut buffer = [0; 64];
        for round in 0..200_u8 {
            let message: Vec<u8> = (0..=round % 37).map(|n| n.wrapping_add(round)).collect();
            assert!(push_message(&mut push, &message));
            assert_eq!(read_message(&mut pull, &mut buffer, |_| false), None, "refused, so it stays");
            assert_eq!(read_message(&mut pull, &mut buffer, |_| true), Some(&message[..]));
        }
        assert_eq!(read_message(&mut pull, &mut buffer, |_| true), None);
        assert!(!push_message(&mut push, &[0; 47]), "one byte too long with its length");
        assert!(push_message(&mut push, &[0; 46]));
    }
}
