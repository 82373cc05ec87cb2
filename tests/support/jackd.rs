//! A jackd with its dummy driver, and JACK clients of the test's own around it.

use super::signal::{depth, sample};
use super::{children, have, signal, wait_until};
use jack::{AudioIn, AudioOut, Client, Control, Port, PortFlags, ProcessHandler, ProcessScope};
use longthrow::ports::jack_server::{self, Closing, Lease, ServerClient};
use std::fs::File;
use std::io::{Read, Seek, Write};
use std::os::unix::fs::MetadataExt;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering::SeqCst};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, mpsc};
use std::time::Duration;

/// A server that ends with the test.
pub struct Jackd {
    /// Its name.
    pub name: String,
    arguments: Vec<String>,
    child: Option<Child>,
    /// A process can use one server at a time (see `jack_server::open`), so tests take turns; not for a server beside it,
    /// which only other processes use.
    turn: Option<MutexGuard<'static, ()>>,
    /// A machine takes eight servers, and one that was killed keeps its place until its name is used again: names come
    /// from a few places, each locked while it is in use.
    place: File,
    /// See [`do_without_metadata`].
    no_metadata: File,
}

impl Jackd {
    /// A server with that many channels each way, up and answering; nothing when jackd is not installed.
    pub fn start(rate: u32, period: u32, channels: usize) -> Option<Self> {
        static TURN: Mutex<()> = Mutex::new(());
        if !have(&["jackd", "jack_freewheel", "jack_wait", "timeout", "sh", "kill"]) {
            return None;
        }
        let turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(no_metadata) = do_without_metadata() else {
            assert!(std::env::var_os("CI").is_none(), "another jackd runs");
            println!("skipped: a jackd of this user runs, and a server that is killed here could leave it hanging");
            return None;
        };
        Some(Self::start_in(Some(turn), no_metadata, rate, period, channels))
    }

    /// One more server, for other processes than this one.
    pub fn start_beside(&self, rate: u32, period: u32, channels: usize) -> Self {
        let no_metadata = self.no_metadata.try_clone().expect("a file can be had twice");
        Self::start_in(None, no_metadata, rate, period, channels)
    }

    fn start_in(
        turn: Option<MutexGuard<'static, ()>>,
        no_metadata: File,
        rate: u32,
        period: u32,
        channels: usize,
    ) -> Self {
        let mut place = None;
        wait_until("a place for a JACK server is free", || {
            place = (0..5).find_map(|n| {
                let name = format!("longthrow-test-{n}");
                let mut file = File::options();
                let file = file.create(true).truncate(false).read(true).write(true);
                let file = file.open(std::env::temp_dir().join(&name)).expect("a file can be made");
                file.try_lock().is_ok().then_some((name, file))
            });
            place.is_some()
        });
        let (name, mut place) = place.expect("awaited");
        end_what_a_crash_left(&name, &mut place);
        let arguments = ["-R", "-P70", "-S", "-d", "dummy"].map(str::to_owned).into_iter().chain([
            format!("-r{rate}"),
            format!("-p{period}"),
            format!("-C{channels}"),
            format!("-P{channels}"),
        ]);
        let mut jackd = Self { name, arguments: arguments.collect(), child: None, turn, place, no_metadata };
        jackd.start_again();
        jackd
    }

    /// Starts it (again) under its name.
    pub fn start_again(&mut self) {
        self.end("KILL");
        self.child = Some(self.spawn());
        wait_until("jackd answers", || {
            // All eight places of the machine may be taken for a while.
            let ended = self.child.as_mut().is_none_or(|child| child.try_wait().is_ok_and(|status| status.is_some()));
            if ended {
                self.child = Some(self.spawn());
            }
            if self.turn.is_some() {
                return jack_server::open("probe", &self.name).is_ok();
            }
            let mut probe = Command::new("jack_wait");
            probe.args(["-s", &self.name, "-c"]).stdout(Stdio::piped()).stderr(Stdio::null());
            let said = probe.output().expect("jack_wait starts").stdout;
            String::from_utf8_lossy(&said).contains("running")
                && !String::from_utf8_lossy(&said).contains("not running")
        });
    }

    fn spawn(&mut self) -> Child {
        // A dummy server writes 107 MB of shared memory, and a broken one its log without end.
        let longest = if std::env::var_os("LONGTHROW_PROOF").is_some() { 3_600 } else { 120 };
        let line = format!("ulimit -f 300000; exec timeout -k2 {longest} jackd -n \"$0\" \"$@\"");
        let child = Command::new("sh")
            .args(["-c", &line, &self.name])
            .args(&self.arguments)
            .env("JACK_NO_START_SERVER", "1")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("sh starts");
        let noted = self.place.set_len(0).and_then(|()| self.place.rewind());
        noted.and_then(|()| write!(self.place, "{}", child.id())).expect("the place can be written to");
        child
    }

    /// Kills it, as a crash would, and waits for its end.
    pub fn kill(&mut self) {
        self.end("KILL");
    }

    fn end(&mut self, how: &str) {
        if let Some(mut child) = self.child.take() {
            for jackd in children(child.id()) {
                signal(how, jackd);
            }
            let _timeout_ends_with_it = child.wait();
        }
    }

    /// Sends a signal to jackd itself.
    pub fn signal(&self, name: &str) {
        let timeout = self.child.as_ref().expect("it runs").id();
        for jackd in children(timeout) {
            signal(name, jackd);
        }
    }

    /// Faster than real time, each client waited for; or real time again. To be left before any client closes.
    pub fn freewheel(&self, on: bool) {
        let mut command = Command::new("jack_freewheel");
        command.arg(if on { "y" } else { "n" }).env("JACK_DEFAULT_SERVER", &self.name);
        let status = command.stdout(Stdio::null()).stderr(Stdio::null()).status();
        assert!(status.expect("jack_freewheel starts").success());
    }
}

/// Where all servers and clients of this user have their database of metadata.
fn metadata() -> PathBuf {
    let user = std::fs::metadata("/proc/self").expect("Linux has /proc").uid();
    PathBuf::from(format!("/dev/shm/jack_db-{user}"))
}

/// Who is killed while it has one of the locks of that database leaves it taken, and whoever comes after waits for ever; tests
/// kill. With a file in the place of its folder there is no database, and nobody here needs one. The file is there while anybody
/// holds what this gives; nothing when a server that is not of the tests may use the folder.
fn do_without_metadata() -> Option<File> {
    let holding = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(std::env::temp_dir().join("longthrow-test-metadata"));
    let holding = holding.expect("a file can be made");
    holding.lock_shared().expect("it can be locked");
    for _ in 0..3 {
        if File::create_new(metadata()).is_ok() || metadata().is_file() {
            return Some(holding);
        }
        let processes = std::fs::read_dir("/proc").expect("Linux has /proc").flatten();
        let names = processes.filter_map(|process| std::fs::read_to_string(process.path().join("comm")).ok());
        if names.into_iter().any(|name| matches!(name.trim(), "jackd" | "jackdbus")) {
            return None;
        }
        // Nobody's; another test may be at it, too.
        drop(std::fs::remove_dir_all(metadata()));
    }
    None
}

/// A test process that crashed has left its server behind, whose number is noted in the place.
fn end_what_a_crash_left(name: &str, place: &mut File) {
    let mut noted = String::new();
    place.read_to_string(&mut noted).expect("the place can be read");
    let Ok(timeout) = noted.parse() else { return };
    let command = || std::fs::read(format!("/proc/{timeout}/cmdline")).unwrap_or_default();
    let is_ours = || command().split(|byte| *byte == 0).any(|word| word == name.as_bytes());
    if is_ours() {
        for jackd in children(timeout) {
            // Its name is used at once, so that its place is taken back; one that hangs hears nothing else.
            signal("KILL", jackd);
        }
        wait_until("the server that was left behind has ended", || !is_ours());
    }
}

impl Drop for Jackd {
    fn drop(&mut self) {
        self.end("TERM");
        // For servers of the machine's own that start later, once no test of any process is at it.
        if self.turn.is_some() && self.no_metadata.unlock().is_ok() && self.no_metadata.try_lock().is_ok() {
            drop(std::fs::remove_file(metadata()));
        }
    }
}

/// A client of the test's own at work, closed with the test. libjack can wait for ever at the close, for a server that was
/// stopped or killed amid it: then the client is left behind, and no other is opened until that close has returned.
pub struct Active<P: 'static + Send + ProcessHandler>(Option<jack::AsyncClient<(), P>>, Closing);

impl<P: 'static + Send + ProcessHandler> Active<P> {
    /// Activates it. The lease is in `work`.
    pub fn new(client: Client, closing: Closing, work: P) -> Self {
        Self(Some(client.activate_async((), work).expect("it can be activated")), closing)
    }

    /// The client, to make connections with.
    pub fn client(&self) -> &Client {
        self.0.as_ref().expect("until it is dropped").as_client()
    }
}

impl<P: 'static + Send + ProcessHandler> Drop for Active<P> {
    fn drop(&mut self) {
        // Who closes hears nothing more, and a server that has to tell it of every port of a daemon that was just killed fills
        // its socket and stands still (jackd2 1.9.21).
        for _ in 0..50 {
            if ports(self.client(), "^longthrow").is_empty() {
                break;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        self.1.begin();
        let (client, (closed, is_closed)) = (self.0.take(), mpsc::channel());
        std::thread::spawn(move || {
            drop(client);
            closed.send(()).ok();
        });
        if is_closed.recv_timeout(Duration::from_secs(10)).is_err() {
            println!("a JACK client of the test hangs at its close and is left behind");
        }
    }
}

/// A client that gives every output the known sample of its channel and of the server's frame count.
pub struct Feeder(Active<Feed>);

struct Feed(Vec<Port<AudioOut>>, #[allow(dead_code, reason = "kept until the client is closed")] Lease);

impl jack::ProcessHandler for Feed {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let start = scope.last_frame_time();
        for (channel, port) in self.0.iter_mut().enumerate() {
            for (frame, out) in (start..).zip(port.as_mut_slice(scope)) {
                *out = sample(depth(channel), channel, frame);
            }
        }
        Control::Continue
    }
}

impl Feeder {
    /// Ports `NAME:1` ..
    pub fn start(server: &str, name: &str, channels: usize) -> Self {
        let ServerClient { client, lease } = jack_server::open(name, server).expect("the server runs");
        let ports = (1..=channels).map(|n| client.register_port(&n.to_string(), AudioOut::default()));
        let closing = lease.closing();
        let feed = Feed(ports.collect::<Result<_, _>>().expect("there is room for ports"), lease);
        Self(Active::new(client, closing, feed))
    }

    /// The client, to make connections with.
    pub fn client(&self) -> &Client {
        self.0.client()
    }
}

/// What a [`Catcher`] heard: for every block the server's frame count, and the samples of all channels.
#[derive(Default)]
pub struct Caught {
    /// Frame count and length of each block.
    pub blocks: Vec<(u32, usize)>,
    /// Samples of each channel.
    pub channels: Vec<Vec<f32>>,
}

impl Caught {
    /// Every frame of a channel with the server's frame count.
    pub fn frames(&self, channel: usize) -> impl Iterator<Item = (u32, f32)> {
        let counts = self.blocks.iter().flat_map(|(start, length)| (*start..).take(*length));
        counts.zip(self.channels[channel].iter().copied())
    }

    /// The delay in frames after which the first channel repeats what was fed, looked for in the middle of what was heard.
    pub fn delay(&self) -> Option<u32> {
        let middle: Vec<_> = self.frames(0).skip(self.channels[0].len() / 2).take(64).collect();
        let repeats = |delay: &u32| {
            middle
                .iter()
                .all(|(frame, heard)| heard.to_bits() == sample(depth(0), 0, frame.wrapping_sub(*delay)).to_bits())
        };
        (0..48_000).find(repeats)
    }

    /// The longest run of frames in which all channels are bit for bit what was fed so many frames before.
    pub fn longest_exact_run(&self, delay: u32) -> usize {
        let exact = |channel: usize| {
            self.frames(channel).map(move |(frame, heard)| {
                heard.to_bits() == sample(depth(channel), channel, frame.wrapping_sub(delay)).to_bits()
            })
        };
        let mut all: Vec<bool> = vec![true; self.channels[0].len()];
        for channel in 0..self.channels.len() {
            all.iter_mut().zip(exact(channel)).for_each(|(all, exact)| *all &= exact);
        }
        all.split(|exact| !exact).map(<[bool]>::len).max().unwrap_or(0)
    }
}

/// A client that keeps what it hears when it is asked to.
pub struct Catcher {
    client: Active<Catch>,
    caught: Arc<Mutex<Caught>>,
    wanted: Arc<AtomicUsize>,
}

struct Catch {
    ports: Vec<Port<AudioIn>>,
    caught: Arc<Mutex<Caught>>,
    /// Frames still to be kept.
    wanted: Arc<AtomicUsize>,
    _lease: Lease,
}

impl jack::ProcessHandler for Catch {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let wanted = self.wanted.load(SeqCst);
        if wanted > 0 {
            let mut caught = self.caught.lock().expect("nobody panicked");
            let length = scope.n_frames() as usize;
            caught.blocks.push((scope.last_frame_time(), length));
            caught.channels.resize(self.ports.len(), Vec::new());
            for (channel, port) in caught.channels.iter_mut().zip(&self.ports) {
                channel.extend_from_slice(port.as_slice(scope));
            }
            self.wanted.store(wanted.saturating_sub(length), SeqCst);
        }
        Control::Continue
    }
}

impl Catcher {
    /// Ports `NAME:1` ..
    pub fn start(server: &str, name: &str, channels: usize) -> Self {
        let ServerClient { client, lease } = jack_server::open(name, server).expect("the server runs");
        let ports = (1..=channels).map(|n| client.register_port(&n.to_string(), AudioIn::default()));
        let ports = ports.collect::<Result<Vec<_>, _>>().expect("there is room for ports");
        let (caught, wanted, closing) = (Arc::default(), Arc::default(), lease.closing());
        let catch = Catch { ports, caught: Arc::clone(&caught), wanted: Arc::clone(&wanted), _lease: lease };
        Self { client: Active::new(client, closing, catch), caught, wanted }
    }

    /// What it hears in the next so many frames, rounded up to whole blocks.
    pub fn catch(&self, frames: usize) -> Caught {
        *self.caught.lock().expect("nobody panicked") = Caught::default();
        self.wanted.store(frames, SeqCst);
        wait_until("the frames were heard", || self.wanted.load(SeqCst) == 0);
        std::mem::take(&mut self.caught.lock().expect("nobody panicked"))
    }

    /// The client, to make connections with.
    pub fn client(&self) -> &Client {
        self.client.client()
    }
}

/// Names of the audio ports that fit a pattern.
pub fn ports(client: &Client, pattern: &str) -> Vec<String> {
    client.ports(Some(pattern), Some("32 bit float mono audio"), PortFlags::empty())
}
