//! The control ports against the real thing: pseudo-terminals of `socat`, a `jackd` with its dummy driver, and the
//! sequencer of whatever machine this is.

use longthrow::ports::control::{ControlNotice, ControlSink, OUTGOING_BYTES, OpenControl};
use longthrow::ports::jack_midi::open_jack_midi;
use longthrow::ports::midi::open_midi;
use longthrow::ports::serial::open_serial;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

/// Generous, since machines that test are slow and shared.
const DEADLINE: Duration = Duration::from_secs(30);

#[derive(Clone, Debug, PartialEq, Eq)]
enum Notice {
    Found(String),
    Bytes(Vec<u8>),
    Lost(String),
    Dropped(u64),
}

/// A sink, and what it was told.
fn told() -> (ControlSink, Receiver<Notice>) {
    let (tell, told) = mpsc::channel();
    let sink: ControlSink = Box::new(move |notice| {
        let notice = match notice {
            ControlNotice::Found(what) => Notice::Found(what.to_owned()),
            ControlNotice::Bytes(bytes) => Notice::Bytes(bytes.to_vec()),
            ControlNotice::Lost(why) => Notice::Lost(why.to_owned()),
            ControlNotice::Dropped(messages) => Notice::Dropped(messages),
        };
        // A test that is over listens no more.
        drop(tell.send(notice));
    });
    (sink, told)
}

fn next(told: &Receiver<Notice>) -> Notice {
    told.recv_timeout(DEADLINE).expect("a notice before the deadline")
}

/// The next `Found`, and the reasons for `Lost` on the way to it.
fn until_found(told: &Receiver<Notice>) -> (String, Vec<String>) {
    let mut reasons = Vec::new();
    loop {
        match next(told) {
            Notice::Found(what) => return (what, reasons),
            Notice::Lost(why) => reasons.push(why),
            other => panic!("{other:?} before anything was found"),
        }
    }
}

fn until_lost(told: &Receiver<Notice>) -> String {
    loop {
        if let Notice::Lost(why) = next(told) {
            return why;
        }
    }
}

/// So many bytes, however they were cut.
fn bytes(told: &Receiver<Notice>, count: usize) -> Vec<u8> {
    let mut bytes = Vec::new();
    while bytes.len() < count {
        match next(told) {
            Notice::Bytes(piece) => bytes.extend(piece),
            other => panic!("{other:?} after {} of {count} bytes", bytes.len()),
        }
    }
    bytes
}

fn wait_for(what: &str, mut done: impl FnMut() -> bool) {
    let end = Instant::now() + DEADLINE;
    while !done() {
        assert!(Instant::now() < end, "{what}: not before the deadline");
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// A child process that does not outlive the test.
struct Kept(Child);

impl Kept {
    fn end(&mut self) {
        if self.0.kill().is_ok() {
            self.0.wait().expect("the child ends");
        }
    }
}

impl Drop for Kept {
    fn drop(&mut self) {
        self.end();
    }
}

fn is_there(program: &str) -> bool {
    let there = Command::new(program).arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok();
    if !there {
        eprintln!("skipped: {program} is not installed");
    }
    there
}

// ---- serial lines ----

/// A pair of pseudo-terminals; the first path is ours, the second the panel's.
fn line_pair(ours: &Path, panels: &Path) -> Kept {
    let end = |path: &Path| format!("pty,raw,echo=0,link={}", path.display());
    let child = Command::new("socat").args([end(ours), end(panels)]).spawn().expect("socat starts");
    let kept = Kept(child);
    wait_for("both ends of the line", || ours.exists() && panels.exists());
    kept
}

fn open_panel_end(path: &Path) -> std::fs::File {
    std::fs::OpenOptions::new().read(true).write(true).open(path).expect("the panel's end opens")
}

/// Every value of a byte, in an order that repeats late.
fn pattern(count: usize) -> Vec<u8> {
    let mut state = 1_u32;
    (0..count)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223); // Knuth's linear congruential numbers
            state.to_be_bytes()[0]
        })
        .collect()
}

#[test]
fn a_serial_line_carries_every_byte_both_ways_at_each_speed() {
    if !is_there("socat") {
        return;
    }
    // MIDI 1.0 electrical specification: 31,250 baud, 10 bits to a byte; the others are usual on microcontrollers.
    for baud in [31_250_u32, 115_200, 250_000] {
        let folder = tempfile::tempdir().expect("a folder");
        let (ours, panels) = (folder.path().join("ours"), folder.path().join("panels"));
        let _pair = line_pair(&ours, &panels);
        let (sink, told) = told();
        let port = open_serial(&ours, baud, sink).expect("a thread");
        let (what, _) = until_found(&told);
        assert!(what.ends_with(&format!("{baud} baud")), "{what}");

        let mut panel = open_panel_end(&panels);
        let sent = pattern(baud as usize / 100); // a tenth of a second
        let wrote = sent.clone();
        let paced = std::thread::spawn(move || {
            // A pseudo-terminal does not pace, so the panel does: 10 ms at a time.
            for piece in wrote.chunks(baud as usize / 1000) {
                panel.write_all(piece).expect("written");
                std::thread::sleep(Duration::from_millis(10));
            }
            panel
        });
        assert_eq!(bytes(&told, sent.len()), sent, "{baud} baud, in");
        let mut panel = paced.join().expect("the panel");

        for message in sent.chunks(3).take(200) {
            assert!(port.out.send(message), "the queue holds 256 messages");
        }
        let mut back = vec![0; 600.min(sent.len())];
        panel.read_exact(&mut back).expect("read");
        assert_eq!(back, sent[..back.len()], "{baud} baud, out");
        assert_eq!(port.out.dropped(), 0);
        assert!(!port.out.send(&[0; OUTGOING_BYTES + 1]), "too long a message is refused");
        assert_eq!(port.out.dropped(), 1);
    }
}

#[test]
fn a_serial_line_that_goes_is_told_once_and_opened_again_when_it_is_back() {
    if !is_there("socat") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let (ours, panels) = (folder.path().join("ours"), folder.path().join("panels"));
    let (sink, told) = told();
    let port = open_serial(&ours, 31_250, sink).expect("a thread");
    let why = until_lost(&told);
    assert!(why.contains("No such file"), "{why}");
    assert!(!port.out.send(&[0x90, 60, 1]), "nothing is kept for a panel that is away");

    for plug in 0..3_u8 {
        let mut pair = line_pair(&ours, &panels);
        until_found(&told);
        let mut panel = open_panel_end(&panels);
        panel.write_all(&[0xB0, 7, plug]).expect("written");
        assert_eq!(bytes(&told, 3), [0xB0, 7, plug]);
        assert!(port.out.send(&[0x90, plug, 127]));
        let mut lamp = [0; 3];
        panel.read_exact(&mut lamp).expect("read");
        assert_eq!(lamp, [0x90, plug, 127]);
        pair.end();
        drop(panel);
        until_lost(&told);
        for path in [&ours, &panels] {
            // socat that was killed leaves its links behind.
            if path.symlink_metadata().is_ok() {
                std::fs::remove_file(path).expect("removed");
            }
        }
    }
    drop(port);
    assert_eq!(
        told.recv_timeout(DEADLINE).map_err(|e| e == RecvTimeoutError::Disconnected).err(),
        Some(true).filter(|_| told.try_recv().is_err())
    );
}

#[test]
fn a_speed_the_line_cannot_do_is_told_not_panicked() {
    let (sink, told) = told();
    // A file that is no terminal.
    let file = tempfile::NamedTempFile::new().expect("a file");
    let port = open_serial(file.path(), 31_250, sink).expect("a thread");
    let why = until_lost(&told);
    assert!(why.starts_with("serial line "), "{why}");
    drop(port);
}

// ---- the system's MIDI ----

#[test]
fn a_midi_port_that_is_not_there_is_told_and_looked_for_without_a_busy_loop() {
    let (sink, told) = told();
    let port = open_midi("a panel that nobody has built", sink).expect("a thread");
    let why = until_lost(&told);
    eprintln!("told: {why}");
    assert!(why.contains("sequencer cannot be opened") || why.contains("no MIDI port is called"), "{why}");
    assert!(!port.out.send(&[0x90, 60, 127]));
    assert_eq!(port.out.dropped(), 1);
    let before = thread_ticks("midi");
    std::thread::sleep(Duration::from_secs(1));
    let used = thread_ticks("midi") - before;
    assert!(used <= 20, "{used} of 100 ticks in a second of looking");
    drop(port);
    assert!(told.try_iter().count() <= 1, "the same reason is not told again");
}

/// Processor time of our threads of that name, in ticks of 10 ms (proc(5), fields 14 and 15 of stat).
fn thread_ticks(name: &str) -> u64 {
    let mut ticks = 0;
    for task in std::fs::read_dir("/proc/self/task").expect("tasks").flatten() {
        let Ok(stat) = std::fs::read_to_string(task.path().join("stat")) else { continue };
        let Some((head, tail)) = stat.rsplit_once(") ") else { continue };
        if head.ends_with(&format!("({name}")) {
            let field = |number: usize| tail.split(' ').nth(number - 3).and_then(|n| n.parse::<u64>().ok());
            ticks += field(14).unwrap_or(0) + field(15).unwrap_or(0);
        }
    }
    ticks
}

// ---- JACK MIDI ----

/// Set in the process that a JACK test runs in.
const OWN_SERVER: &str = "LONGTHROW_TEST_OWN_SERVER";

/// Runs the test of this name in a process of its own, whose default JACK server is its own. True in that process.
fn in_own_process(test: &str) -> bool {
    if std::env::var_os(OWN_SERVER).is_some() {
        return true;
    }
    if !is_there("jackd") {
        return false;
    }
    let status = Command::new(std::env::current_exe().expect("this test"))
        .args(["--exact", test, "--nocapture", "--test-threads=1"])
        .env(OWN_SERVER, "1")
        .env("JACK_NO_START_SERVER", "1")
        .env("JACK_DEFAULT_SERVER", format!("lt-{}-{}", test.len(), std::process::id()))
        .status()
        .expect("the test starts again");
    assert!(status.success(), "{test} failed in its own process: {status}");
    false
}

fn server_name() -> String {
    std::env::var("JACK_DEFAULT_SERVER").expect("set by the parent")
}

/// A server that ends with the test, and by itself after two minutes; its files are bounded.
fn start_server() -> Kept {
    // `exec` keeps the process id, so that a signal reaches jackd itself.
    let line = format!("ulimit -f 300000; exec jackd -n {} -R -P70 -d dummy -r48000 -p256", server_name());
    let child = Command::new("bash")
        .args(["-c", &line])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("jackd starts");
    let server = Kept(child);
    wait_for("the server", || jack::Client::new("probe", jack::ClientOptions::NO_START_SERVER).is_ok());
    server
}

/// A panel as a JACK client: sends what its channel holds, and gives back what comes.
struct Panel {
    active: jack::AsyncClient<(), PanelCallback>,
    from_desk: Receiver<Vec<u8>>,
}

struct PanelCallback {
    from_desk: jack::Port<jack::MidiIn>,
    to_desk: jack::Port<jack::MidiOut>,
    heard: mpsc::Sender<Vec<u8>>,
    /// Messages still to send, counted in their last bytes, and how many in a period at most.
    next: u32,
    end: u32,
    each_period: u32,
}

/// Message number n of the stream: a 14-bit count in a pitch bend, on as many channels as it needs.
fn numbered(number: u32) -> [u8; 3] {
    let byte = |n: u32| u8::try_from(n & 0x7F).expect("7 bits");
    [0xE0 | (byte(number >> 14) & 0x0F), byte(number), byte(number >> 7)]
}

impl jack::ProcessHandler for PanelCallback {
    fn process(&mut self, _: &jack::Client, scope: &jack::ProcessScope) -> jack::Control {
        for event in self.from_desk.iter(scope) {
            drop(self.heard.send(event.bytes.to_vec()));
        }
        let mut writer = self.to_desk.writer(scope);
        let until = self.end.min(self.next + self.each_period);
        while self.next < until {
            let time = (self.next % self.each_period) * scope.n_frames() / self.each_period;
            writer.write(&jack::RawMidi { time, bytes: &numbered(self.next) }).expect("room in the period");
            self.next += 1;
        }
        jack::Control::Continue
    }
}

impl Panel {
    fn start(name: &str, messages: u32, each_period: u32) -> Self {
        let (client, _) = jack::Client::new(name, jack::ClientOptions::NO_START_SERVER).expect("a client");
        let (heard, from_desk) = mpsc::channel();
        let callback = PanelCallback {
            from_desk: client.register_port("lamps", jack::MidiIn::default()).expect("a port"),
            to_desk: client.register_port("controls", jack::MidiOut::default()).expect("a port"),
            heard,
            next: 0,
            end: 0,
            each_period,
        };
        // Sends only when it is linked, which the caller waits for: see `send`.
        let mut callback = callback;
        callback.end = messages;
        Self { active: client.activate_async((), callback).expect("active"), from_desk }
    }
}

fn open_linked(sink: ControlSink) -> OpenControl {
    open_jack_midi("", "desk", "panel:controls", "panel:lamps", sink).expect("a thread")
}
