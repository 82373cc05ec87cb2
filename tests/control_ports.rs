//! The control ports against the real thing: pseudo-terminals of `socat`, a `jackd` with its dummy driver, and the
//! sequencer of whatever machine this is.

use longthrow::ports::control::{ControlNotice, ControlSink, OUTGOING_BYTES, OpenControl};
use longthrow::ports::jack_midi::open_jack_midi;
use longthrow::ports::midi::open_midi;
use longthrow::ports::serial::open_serial;
use std::io::{Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{self, Receiver};
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
            Notice::Dropped(_) => {} // an xrun of a JACK server on a busy machine
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

/// The port's thread has ended, and its sink with it.
fn assert_gone(told: &Receiver<Notice>) {
    while told.recv_timeout(DEADLINE).is_ok() {}
    assert_eq!(told.try_recv(), Err(mpsc::TryRecvError::Disconnected), "the sink is still held");
}

/// A child process that does not outlive the test.
struct Kept(Child);

impl Kept {
    /// Asks it to end: a jackd that is killed leaves its place among the eight of a machine taken.
    fn end(&mut self) {
        if matches!(self.0.try_wait(), Ok(None)) {
            self.signal("-CONT");
            self.signal("-TERM");
            self.0.wait().expect("the child ends");
        }
    }

    fn signal(&self, which: &str) {
        let status = Command::new("kill").args([which, &self.0.id().to_string()]).status().expect("kill runs");
        assert!(status.success(), "{which}");
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
    assert_gone(&told);
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
    let mut server = Kept(child);
    wait_for("the server", || {
        let ended = server.0.try_wait().expect("its state");
        assert!(ended.is_none(), "jackd ended: {ended:?} (a machine holds eight servers, with those that were killed)");
        jack::Client::new("probe", jack::ClientOptions::NO_START_SERVER).is_ok()
    });
    server
}

struct PanelCallback {
    from_desk: jack::Port<jack::MidiIn>,
    to_desk: jack::Port<jack::MidiOut>,
    heard: mpsc::Sender<Vec<u8>>,
    /// The next message's number, the end of those asked for, and how many go in one period.
    next: u32,
    end: Arc<AtomicU32>,
    each_period: u32,
}

/// Message number n: 18 bits of it in a pitch bend, the highest four as the channel.
fn numbered(number: u32) -> [u8; 3] {
    let byte = |n: u32| u8::try_from(n & 0x7F).expect("7 bits");
    [0xE0 | (byte(number >> 14) & 0x0F), byte(number), byte(number >> 7)]
}

fn number_of(message: &[u8]) -> u32 {
    let [status, low, high] = message else { panic!("{message:?} is not one whole pitch bend") };
    u32::from(status & 0x0F) << 14 | u32::from(*high) << 7 | u32::from(*low)
}

impl jack::ProcessHandler for PanelCallback {
    fn process(&mut self, _: &jack::Client, scope: &jack::ProcessScope) -> jack::Control {
        for event in self.from_desk.iter(scope) {
            drop(self.heard.send(event.bytes.to_vec()));
        }
        let mut writer = self.to_desk.writer(scope);
        let count = self.each_period.min(self.end.load(Ordering::Acquire) - self.next);
        for place in 0..count {
            let time = place * scope.n_frames() / self.each_period;
            writer.write(&jack::RawMidi { time, bytes: &numbered(self.next) }).expect("room in the period");
            self.next += 1;
        }
        jack::Control::Continue
    }
}

/// A panel as a JACK client, with the ports that [`open_linked`] asks for.
struct Panel {
    _active: jack::AsyncClient<(), PanelCallback>,
    from_desk: Receiver<Vec<u8>>,
    end: Arc<AtomicU32>,
}

impl Panel {
    fn start(each_period: u32) -> Self {
        // The server is up; but the registry that all servers of a machine share is closed for a moment while another starts.
        let mut opened = None;
        wait_for("a client", || {
            opened = jack::Client::new("panel", jack::ClientOptions::NO_START_SERVER).ok();
            opened.is_some()
        });
        let (client, _) = opened.expect("awaited");
        let (heard, from_desk) = mpsc::channel();
        let end = Arc::new(AtomicU32::new(0));
        let callback = PanelCallback {
            from_desk: client.register_port("lamps", jack::MidiIn::default()).expect("a port"),
            to_desk: client.register_port("controls", jack::MidiOut::default()).expect("a port"),
            heard,
            next: 0,
            end: Arc::clone(&end),
            each_period,
        };
        Self { _active: client.activate_async((), callback).expect("active"), from_desk, end }
    }

    fn send(&self, messages: u32) {
        self.end.fetch_add(messages, Ordering::Release);
    }
}

fn open_linked(sink: ControlSink) -> OpenControl {
    open_jack_midi("", "desk", "panel:controls", "panel:lamps", sink).expect("a thread")
}

/// Both links are made; what was missing before that does not matter.
fn until_linked(told: &Receiver<Notice>) {
    let mut links = [until_found(told).0, until_found(told).0];
    links.sort();
    assert_eq!(links, ["desk:out linked to panel:lamps", "panel:controls linked to desk:in"]);
}

/// One message each way; sent again if an xrun of a busy machine swallowed it.
fn exchange(panel: &Panel, port: &OpenControl, told: &Receiver<Notice>) {
    let patience = Duration::from_secs(1);
    let end = Instant::now() + DEADLINE;
    loop {
        assert!(Instant::now() < end, "nothing came from the panel");
        panel.send(1);
        if matches!(told.recv_timeout(patience), Ok(Notice::Bytes(_))) {
            break;
        }
    }
    loop {
        assert!(Instant::now() < end, "nothing came to the panel");
        assert!(port.out.send(&[0x90, 60, 127]));
        if let Ok(lamp) = panel.from_desk.recv_timeout(patience) {
            assert_eq!(lamp, [0x90, 60, 127]);
            break;
        }
    }
}

#[test]
fn jack_midi_loses_nothing_at_5000_messages_a_second_and_more() {
    if !in_own_process("jack_midi_loses_nothing_at_5000_messages_a_second_and_more") {
        return;
    }
    let _server = start_server();
    let (sink, told) = told();
    let port = open_linked(sink);
    // 27 in a period of 256 frames at 48,000 Hz are 5,062 a second; 270 are 50,625.
    for (each_period, messages) in [(27, 15_000_u32), (270, 100_000)] {
        let panel = Panel::start(each_period);
        until_linked(&told);
        let began = Instant::now();
        panel.send(messages);
        // Whole, in order, none twice; and none missing, unless JACK skipped us in an xrun and the port said so.
        let (mut expected, mut missing, mut skips) = (0, 0, 0);
        while expected < messages {
            let came = match next(&told) {
                Notice::Bytes(came) => came,
                Notice::Dropped(periods) => {
                    skips += periods;
                    continue;
                }
                other => panic!("{other:?} instead of message {expected}"),
            };
            let number = number_of(&came);
            assert!(number >= expected && number < messages, "{came:?} instead of message {expected}");
            missing += number - expected;
            expected = number + 1;
        }
        let took = began.elapsed().as_secs_f64();
        // What was skipped is told beside the messages, so the word of it may come after the last of them.
        while u64::from(missing) > skips * u64::from(each_period) {
            match told.recv_timeout(Duration::from_secs(2)) {
                Ok(Notice::Dropped(periods)) => skips += periods,
                Ok(other) => panic!("{other:?} after the last message"),
                Err(_) => break,
            }
        }
        eprintln!(
            "{messages} messages in {took:.2} s ({:.0} a second): {missing} missing, {skips} periods skipped",
            f64::from(messages) / took
        );
        assert!(u64::from(missing) <= skips * u64::from(each_period), "{missing} missing in {skips} skipped periods");
        assert!(missing <= messages / 50, "{missing} of {messages} missing");

        // The other way, as fast as the queue takes them.
        let dropped = port.out.dropped();
        let mut kept = Vec::new();
        for number in 0..20_000 {
            if port.out.send(&numbered(number)) {
                kept.push(numbered(number).to_vec());
            }
        }
        // In order and none twice; the panel has no way to say which an xrun swallowed.
        let mut expected = kept.iter();
        let mut came = 0;
        while let Ok(message) = panel.from_desk.recv_timeout(Duration::from_secs(1)) {
            assert!(expected.any(|kept| *kept == message), "{message:?} out of order");
            came += 1;
        }
        eprintln!("of 20,000 lamps at once {} were taken, and {came} of those came", kept.len());
        assert!(came >= kept.len() * 3 / 4, "{came} of {} came", kept.len());
        assert!(kept.len() >= 256, "at least 256 may wait");
        assert_eq!(port.out.dropped() - dropped, 20_000 - kept.len() as u64, "the rest is counted");
        drop(panel);
        assert!(until_lost(&told).contains("is not there"));
        until_lost(&told);
    }
}

#[test]
fn jack_midi_carries_a_long_system_exclusive_message_whole() {
    if !in_own_process("jack_midi_carries_a_long_system_exclusive_message_whole") {
        return;
    }
    let _server = start_server();
    let (sink, told) = told();
    let port = open_jack_midi("", "desk", "", "", sink).expect("a thread");
    assert_eq!(until_found(&told).0, "JACK client \"desk\"");
    let (client, _) = jack::Client::new("dump", jack::ClientOptions::NO_START_SERVER).expect("a client");
    let mut output = client.register_port("out", jack::MidiOut::default()).expect("a port");
    let mut dump = vec![0xF0];
    dump.extend((0..16_000_u32).map(|n| u8::try_from(n % 128).expect("7 bits")));
    dump.push(0xF7);
    let (go, sent) = (Arc::new(AtomicU32::new(0)), dump.clone());
    let its_go = Arc::clone(&go);
    let callback = jack::contrib::ClosureProcessHandler::new(move |_: &jack::Client, scope: &jack::ProcessScope| {
        let mut writer = output.writer(scope);
        if its_go.swap(0, Ordering::AcqRel) == 1 {
            writer.write(&jack::RawMidi { time: 0, bytes: &sent }).expect("room");
        }
        jack::Control::Continue
    });
    let active = client.activate_async((), callback).expect("active");
    // Linked from outside: the port was told to wait for that.
    active.as_client().connect_ports_by_name("dump:out", "desk:in").expect("linked");
    go.store(1, Ordering::Release);
    assert_eq!(next(&told), Notice::Bytes(dump));
    drop(port);
}

#[test]
fn jack_midi_links_again_when_the_panel_comes_back() {
    if !in_own_process("jack_midi_links_again_when_the_panel_comes_back") {
        return;
    }
    let _server = start_server();
    let (sink, told) = told();
    let port = open_linked(sink);
    assert!(until_lost(&told).contains("is not there"));
    for _ in 0..5 {
        let panel = Panel::start(1);
        until_linked(&told);
        exchange(&panel, &port, &told);
        drop(panel);
        until_lost(&told);
        until_lost(&told);
    }
}

#[test]
fn jack_midi_survives_the_death_and_the_stop_of_its_server() {
    if !in_own_process("jack_midi_survives_the_death_and_the_stop_of_its_server") {
        return;
    }
    let (sink, told) = told();
    let port = open_linked(sink);
    assert!(until_lost(&told).contains("does not answer"));
    assert!(!port.out.send(&[0x90, 60, 1]), "nothing is kept for a panel that is away");
    let count = |of: &str| std::fs::read_dir(format!("/proc/self/{of}")).expect("ours").count();
    let mut first = None;
    for death in ["-KILL", "-TERM", "-KILL", "-KILL"] {
        let mut server = start_server();
        let panel = Panel::start(1);
        until_linked(&told);
        exchange(&panel, &port, &told);
        server.signal(death);
        server.0.wait().expect("the server ends");
        while until_lost(&told) != "the JACK server is gone" {}
        drop(panel); // after its server: must not take us down
        let now = (count("task"), count("fd"));
        let first = *first.get_or_insert(now);
        assert!(now.0 <= first.0 && now.1 <= first.1, "threads and handles: {first:?} at first, {now:?} after {death}");
    }

    let server = start_server();
    let panel = Panel::start(1);
    until_linked(&told);
    exchange(&panel, &port, &told);
    server.signal("-STOP");
    assert!(port.out.send(&[0x90, 60, 1]), "a stop is not seen at once");
    std::thread::sleep(Duration::from_secs(4));
    server.signal("-CONT");
    assert!(until_lost(&told).contains("has not called"));
    until_linked(&told);

    // Dropped after the death of its server: joined, and no crash.
    drop(server);
    while until_lost(&told) != "the JACK server is gone" {}
    drop(panel);
    drop(port);
    assert_gone(&told);
    // jackd often dies of a broken pipe when it ends before its clients, and then keeps its place among the eight;
    // one of the same name without clients gives it back.
    start_server().end();
}

#[test]
fn a_jack_server_that_is_not_there_is_told_and_waited_for() {
    if !in_own_process("a_jack_server_that_is_not_there_is_told_and_waited_for") {
        return;
    }
    let (sink, told) = told();
    let port = open_jack_midi("the-mill", "desk", "", "", sink).expect("a thread");
    let why = until_lost(&told);
    assert!(why.contains("does not answer"), "{why}");
    drop(port);
    assert_gone(&told);
}

#[test]
fn jack_midi_opened_and_closed_a_hundred_times_leaves_no_thread_and_no_handle() {
    if !in_own_process("jack_midi_opened_and_closed_a_hundred_times_leaves_no_thread_and_no_handle") {
        return;
    }
    let _server = start_server();
    let count = |of: &str| std::fs::read_dir(format!("/proc/self/{of}")).expect("ours").count();
    let mut first = None;
    for round in 0..100 {
        let (sink, told) = told();
        let port = open_linked(sink);
        let panel = Panel::start(1);
        until_linked(&told);
        // Either first, so that links are gone and are not when the port is closed.
        if round % 2 == 0 {
            drop((panel, port));
        } else {
            drop((port, panel));
        }
        assert_gone(&told);
        let now = || (count("task"), count("fd"));
        let first = *first.get_or_insert_with(now);
        // A thread that was joined may still be listed for a moment.
        let until = Instant::now() + DEADLINE;
        while now().0 > first.0 || now().1 > first.1 {
            let left = now();
            assert!(Instant::now() < until, "threads and handles: {first:?} at first, {left:?} after {round}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}
