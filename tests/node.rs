//! The wire to a panel node (`configs/node/WIRE.md`): the C node beside it, written from the document alone, against the
//! desk's link in simulated time, against `longthrow node-check`, and against the daemon on a throttled serial line.

#![allow(clippy::print_stdout, reason = "the tests print what they measured")]

mod support;

use longthrow::daemon::inbox::{DAEMON_LANE, Inbox};
use longthrow::daemon::nodes::Nodes;
use longthrow::panel::node::{FromNode, Link, LinkEvent};
use longthrow::panel::osc::{Argument, Message};
use longthrow::panel::slip::{Deframer, frame};
use longthrow::ports::control::ControlOut;
use longthrow::ports::osc;
use longthrow::profile::{Panel, Source, Texts, check};
use std::collections::{BTreeSet, VecDeque};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::UdpSocket;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, OnceLock};
use std::time::{Duration, Instant};
use support::daemon::Daemon;
use support::pty::Pty;
use support::{have, wait_until};

/// 115,200 baud, a start and a stop bit to each byte.
const BYTES_PER_SECOND: u64 = 11_520;
const LINES: u32 = 32;

// ---- the node, built ----

/// Builds the node; `breaks` is the line of the document that it shall break, 0 for none.
fn build(breaks: u32) -> PathBuf {
    static FOLDER: OnceLock<tempfile::TempDir> = OnceLock::new();
    static BUILDING: Mutex<()> = Mutex::new(());
    let folder = FOLDER.get_or_init(|| tempfile::tempdir().expect("a temporary folder"));
    let _one_at_a_time = BUILDING.lock().expect("sound");
    let program = folder.path().join(format!("node-{breaks}"));
    if !program.exists() {
        let sources = Path::new(env!("CARGO_MANIFEST_DIR")).join("configs/node");
        let output = Command::new("cc")
            .args(["-std=c99", "-O1", "-Wall", "-Wextra", "-Wpedantic", "-Werror"])
            .arg(format!("-DNODE_BREAKS_LINE={breaks}"))
            .args([sources.join("node.c"), sources.join("host_main.c")])
            .args(["-lm", "-o"])
            .arg(&program)
            .output()
            .expect("cc starts");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }
    program
}

/// A running node.
struct Node {
    child: Child,
    input: ChildStdin,
    said: Arc<Mutex<Vec<String>>>,
}

impl Node {
    fn start(breaks: u32, arguments: &[&str]) -> Self {
        let mut child = Command::new(build(breaks))
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the node starts");
        let said = Arc::<Mutex<Vec<String>>>::default();
        let (kept, lines) = (Arc::clone(&said), BufReader::new(child.stdout.take().expect("piped")).lines());
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                kept.lock().expect("sound").push(line);
            }
        });
        let input = child.stdin.take().expect("piped");
        Self { child, input, said }
    }

    /// On a UDP port of its own, and where.
    fn udp(breaks: u32) -> (Self, String) {
        let node = Self::start(breaks, &["udp", "0"]);
        let line = node.await_line("at ");
        let at = line.trim_start_matches("at ").to_owned();
        (node, at)
    }

    fn say(&mut self, line: &str) {
        writeln!(self.input, "{line}").expect("it listens");
    }

    fn last(&self) -> String {
        self.said.lock().expect("sound").last().cloned().unwrap_or_default()
    }

    fn await_line(&self, what: &str) -> String {
        let mut found = String::new();
        wait_until(what, || {
            let said = self.said.lock().expect("sound");
            found = said.iter().rev().find(|line| line.contains(what)).cloned().unwrap_or_default();
            !found.is_empty()
        });
        found
    }

    fn mark(&self) -> usize {
        self.said.lock().expect("sound").len()
    }

    /// The first line after a mark that holds this, and its time in seconds.
    fn after(&self, mark: usize, what: &str) -> (f64, String) {
        let mut found = String::new();
        wait_until(what, || {
            let said = self.said.lock().expect("sound");
            found = said[mark..].iter().find(|line| line.contains(what)).cloned().unwrap_or_default();
            !found.is_empty()
        });
        (found.split(' ').next().and_then(|time| time.parse().ok()).expect("a time"), found)
    }

    /// Ends it; what it counted.
    fn quit(mut self) -> String {
        self.say("quit");
        self.child.wait().expect("it ends");
        self.await_line("counted:")
    }
}

impl Drop for Node {
    fn drop(&mut self) {
        self.child.kill().ok();
        self.child.wait().ok();
    }
}

/// The number after a word in what a node counted.
fn counted(report: &str, word: &str) -> u64 {
    let rest = report.split(&format!("{word} ")).nth(1).unwrap_or_else(|| panic!("{word} in {report}"));
    rest.split(|letter: char| !letter.is_ascii_digit()).next().and_then(|number| number.parse().ok()).expect("a number")
}

// ---- simulated time ----

/// Bytes on their way, at the pace of the line.
#[derive(Default)]
struct Wire {
    waiting: VecDeque<u8>,
    carried: u64,
    longest: usize,
}

impl Wire {
    fn put(&mut self, bytes: &[u8]) {
        self.waiting.extend(bytes);
        self.longest = self.longest.max(self.waiting.len());
    }

    /// What has arrived when so much time has passed since the beginning; time that was not used is not saved up.
    fn arrived(&mut self, step_us: u64, now_us: u64) -> Vec<u8> {
        let at = |us: u64| us * BYTES_PER_SECOND / 1_000_000;
        let room = usize::try_from(at(now_us) - at(now_us - step_us)).expect("small").min(self.waiting.len());
        self.carried += room as u64;
        self.waiting.drain(..room).collect()
    }
}

/// The C node in simulated time, and the desk's link.
struct Simulation {
    child: Child,
    input: ChildStdin,
    output: std::process::ChildStdout,
    link: Link,
    deframer: Deframer,
    to_node: Wire,
    now_us: u64,
    /// Nothing comes through.
    cut: bool,
    events: Vec<LinkEvent>,
    moves: u64,
    from_node: u64,
    malformed: u64,
    lost: bool,
    lamps: u8,
    contacts: u8,
}

const STEP_US: u64 = 20_000;

impl Simulation {
    fn new() -> Self {
        let mut child = Command::new(build(0))
            .arg("pipe")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the node starts");
        let mut link = Link::new(Some(5), 1);
        let contacts = [("start-1", false, true), ("room-lamp", true, false), ("speaker-mute", true, false)];
        let contacts = contacts.map(|(name, safe, pulses)| (name.to_owned(), safe, pulses));
        let springs = ["/strip-1/button", "/strip-2/button", "/turn"].map(str::to_owned);
        link.configure(BTreeSet::from(springs), &contacts);
        Self {
            input: child.stdin.take().expect("piped"),
            output: child.stdout.take().expect("piped"),
            child,
            link,
            deframer: Deframer::default(),
            to_node: Wire::default(),
            now_us: 0,
            cut: false,
            events: Vec::new(),
            moves: 0,
            from_node: 0,
            malformed: 0,
            lost: true,
            lamps: 0,
            contacts: 0,
        }
    }

    fn now_ms(&self) -> u64 {
        self.now_us / 1000
    }

    fn step(&mut self) {
        self.now_us += STEP_US;
        let mut events = Vec::new();
        self.link.tick(self.now_ms(), &mut events);
        self.carry_out(events);
        let mut arrived = self.to_node.arrived(STEP_US, self.now_us);
        if self.cut {
            arrived.clear();
        }
        // The node paces itself: it is given the room that the line has in this step.
        let room = u16::try_from(BYTES_PER_SECOND * STEP_US / 1_000_000).expect("small");
        let mut question = self.now_us.to_le_bytes().to_vec();
        question.extend(room.to_le_bytes());
        question.extend(u16::try_from(arrived.len()).expect("small").to_le_bytes());
        question.extend(arrived);
        self.input.write_all(&question).expect("it listens");
        let mut head = [0; 5];
        self.output.read_exact(&mut head).expect("it answers");
        (self.lost, self.lamps, self.contacts) = (head[0] != 0, head[1], head[2]);
        let mut bytes = vec![0; usize::from(u16::from_le_bytes([head[3], head[4]]))];
        self.output.read_exact(&mut bytes).expect("it answers");
        self.from_node += bytes.len() as u64;
        if self.cut {
            return;
        }
        let mut events = Vec::new();
        for byte in bytes {
            let Some(packet) = self.deframer.push(byte) else { continue };
            match osc::decode(packet) {
                Ok(groups) => {
                    for message in groups.iter().flat_map(|group| &group.messages) {
                        self.link.hear(self.now_us / 1000, message, &mut events);
                    }
                }
                Err(_) => self.malformed += 1,
            }
        }
        self.carry_out(events);
    }

    fn carry_out(&mut self, events: Vec<LinkEvent>) {
        for event in events {
            match event {
                LinkEvent::Send(message) => self.to_node.put(&frame(&osc::encode(&message))),
                LinkEvent::Moved(_) => self.moves += 1,
                other => self.events.push(other),
            }
        }
    }

    fn run_ms(&mut self, ms: u64) {
        (0..ms * 1000 / STEP_US).for_each(|_| self.step());
    }

    fn level(&mut self, address: &str, level: f32) {
        let mut events = Vec::new();
        self.link.level(self.now_ms(), address, level, &mut events);
        self.carry_out(events);
    }

    /// What the node counted.
    fn end(mut self) -> String {
        drop(self.input);
        let mut report = String::new();
        self.child.stderr.take().expect("piped").read_to_string(&mut report).expect("it is text");
        self.child.wait().expect("it ends");
        report
    }
}

#[test]
fn a_simulated_hour_over_a_line_of_115200_baud_loses_nothing() {
    if !have(&["cc"]) {
        return;
    }
    let begun = Instant::now();
    let mut simulation = Simulation::new();
    simulation.run_ms(1000);
    assert!(simulation.link.is_up() && !simulation.lost, "they have met: {:?}", simulation.events);
    // Four lamps change ten times a second each, by turns.
    let mut lit = 0_u32;
    let lamps = ["/strip-1/button", "/strip-2/button", "/lamp/live", "/lamp/stream"];
    while simulation.now_us < 3_600_000_000 {
        let lamp = lit as usize % lamps.len();
        #[expect(clippy::cast_precision_loss, reason = "0 or 1")]
        simulation.level(lamps[lamp], (lit / 4 % 2) as f32);
        lit += 1;
        if lit.is_multiple_of(400) {
            let mut events = Vec::new();
            let now = simulation.now_ms();
            simulation.link.pulse(now, "start-1", 200, &mut events).expect("free");
            simulation.carry_out(events);
        }
        simulation.run_ms(100);
    }
    let standing = simulation.link.standing();
    let (moves, malformed, frames) = (simulation.moves, simulation.malformed, simulation.deframer.counts());
    let (out, back) = (simulation.to_node.carried, simulation.from_node);
    let longest = simulation.to_node.longest;
    let notes = simulation.events.len();
    let unsure = simulation
        .events
        .iter()
        .filter(|event| matches!(event, LinkEvent::Note(why) if !why.contains("made its pulse of 200 ms")))
        .count();
    let report = simulation.end();
    println!(
        "one simulated hour in {:.1} s: {moves} moves, {} taken in all, missed {}, late {}, losses {}; line {} B/s to \
         the desk, {} B/s to the node (at most {longest} waiting); {notes} notes; the node {report}",
        begun.elapsed().as_secs_f64(),
        standing.taken,
        standing.missed,
        standing.late,
        standing.losses,
        back / 3600,
        out / 3600,
    );
    assert_eq!((standing.missed, standing.late, standing.losses, malformed), (0, 0, 0, 0));
    assert_eq!((frames.too_long, frames.spoiled, frames.unopened, unsure), (0, 0, 0, 0));
    assert_eq!(standing.left_out, 0, "but for what was said before the first hello");
    assert!(moves > 200_000, "{moves}");
    for word in ["beats missed", "losses", "packets dropped"] {
        assert_eq!(counted(&report, word), 0, "{report}");
    }
    assert!(counted(&report, "beats") >= 3599 * 4, "{report}");
}

#[test]
fn both_ends_notice_a_cut_line_within_3_s_and_what_was_missed_is_asked_for() {
    if !have(&["cc"]) {
        return;
    }
    let mut simulation = Simulation::new();
    simulation.run_ms(1000);
    simulation.level("/lamp/live", 1.0);
    simulation.link.contact("room-lamp", false).expect("it stands");
    simulation.link.contact("speaker-mute", false).expect("it stands");
    simulation.run_ms(500);
    // Only /lamp/live is lit, no contact closed.
    assert_eq!((simulation.lamps, simulation.contacts, simulation.lost), (0b0100, 0, false));
    simulation.events.clear();
    // 300 ms are no loss, but a gap in the numbers.
    simulation.cut = true;
    simulation.run_ms(300);
    simulation.cut = false;
    simulation.run_ms(1000);
    let standing = simulation.link.standing();
    assert!(standing.missed > 0 && standing.losses == 0, "{standing:?}");
    assert!(simulation.link.is_up() && !simulation.lost);
    simulation.cut = true;
    let from = simulation.now_us;
    let (mut node_after, mut desk_after, mut dark_after) = (None, None, None);
    while simulation.now_us - from < 4_000_000 {
        simulation.step();
        let passed = (simulation.now_us - from) / 1000;
        if simulation.lost {
            node_after.get_or_insert_with(|| {
                assert_eq!(simulation.lamps, 0b1111, "it begins lit");
                assert_eq!(simulation.contacts, 0b110, "the room lamp is lit, the loudspeakers are muted");
                passed
            });
            if simulation.lamps == 0 {
                dark_after.get_or_insert(passed);
            }
        }
        if !simulation.link.is_up() {
            desk_after.get_or_insert(passed);
        }
    }
    println!("cut: the node lost the desk after {node_after:?} ms, the desk lost the node after {desk_after:?} ms");
    let within = |after: Option<u64>| after.is_some_and(|after| (700..=3000).contains(&after));
    assert!(within(node_after) && within(desk_after) && dark_after.is_some());
    simulation.cut = false;
    simulation.events.clear();
    simulation.run_ms(1500);
    assert!(simulation.link.is_up() && !simulation.lost, "they meet again");
    assert_eq!((simulation.lamps, simulation.contacts), (0b0100, 0), "as it was told before");
    assert!(simulation.events.iter().any(|event| matches!(event, LinkEvent::Found(_))), "its controls rejoin");
    assert!(simulation.events.iter().any(|event| matches!(event, LinkEvent::Stands(_))), "and say where they stand");
}

/// A serial line of which only the way out is there.
#[derive(Default)]
struct Out(Mutex<Vec<u8>>);

impl ControlOut for Out {
    fn send(&self, bytes: &[u8]) -> bool {
        self.0.lock().expect("sound").extend(bytes);
        true
    }

    fn dropped(&self) -> u64 {
        0
    }
}

#[test]
fn raw_samples_come_back_to_whoever_asked() {
    let text = rig("path = \"/dev/none\"");
    let rig = vec![Source { name: "rig.toml".to_owned(), text }];
    let (checked, diagnostics) = check(&Texts { rig, ..Texts::default() });
    let rig = checked.and_then(|checked| checked.rig).unwrap_or_else(|| panic!("{diagnostics:?}"));
    let (nodes, out) = (Nodes::new(Arc::new(Inbox::new(DAEMON_LANE + 1))), Arc::new(Out::default()));
    nodes.configure(&rig, &Panel::default());
    nodes.set_line(0, Arc::clone(&out) as Arc<dyn ControlOut>);
    assert!(nodes.ask_raw("frame", "/strip-1/fader", 1000, 500).is_err(), "its node is away");
    let text = |text: &str| Argument::Text(text.to_owned());
    let number = Argument::Int;
    let arguments = vec![number(1), number(5), number(7), text("m"), text("raw"), number(1), number(0), number(0)];
    let say = |address: &str, arguments: Vec<Argument>| {
        nodes.bytes(0, &frame(&osc::encode(&Message { address: address.to_owned(), arguments })));
    };
    say("/node/hello", arguments);
    let answers = nodes.ask_raw("frame", "/strip-1/fader", 1000, 500).expect("it is there");
    assert!(nodes.ask_raw("other", "/strip-1/fader", 1000, 500).is_err());
    let asked = out.0.lock().expect("sound").clone();
    assert!(asked.windows(13).any(|bytes| bytes == b"/node/raw/ask"));
    say("/node/raw/begin", vec![number(1), text("/strip-1/fader"), number(1000), number(12)]);
    say("/node/raw", vec![number(1), number(0), number(-1), Argument::Blob(vec![0x0F, 0xFF, 0, 1])]);
    let found: Vec<FromNode> = answers.try_iter().collect();
    let samples = FromNode::Raw { token: 1, index: 0, time_us: u32::MAX, samples: vec![4095, 1] };
    assert_eq!((found.len(), &found[1]), (2, &samples));
}

// ---- node-check ----

fn node_check(port: &str) -> (Option<i32>, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_longthrow")).args(["node-check", port]).output().expect("it starts");
    let text = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    (output.status.code(), text)
}

#[test]
fn every_line_of_the_document_is_in_node_check_and_in_the_document_once() {
    let document = include_str!("../configs/node/WIRE.md");
    let numbers: Vec<u32> =
        document.lines().filter_map(|line| line.strip_prefix("| ")?.split(" |").next()?.parse().ok()).collect();
    assert_eq!(numbers, (1..=LINES).collect::<Vec<_>>());
}

#[test]
fn the_node_passes_every_line_over_udp_and_every_broken_node_fails_its_own() {
    if !have(&["cc"]) {
        return;
    }
    // Line 1 is of serial lines; see below. They mostly wait, so all run at a time.
    let trials: Vec<_> = std::iter::once(0)
        .chain(2..=LINES)
        .map(|breaks| {
            let (node, at) = Node::udp(breaks);
            (breaks, std::thread::spawn(move || (node_check(&at), node, at)))
        })
        .collect();
    for (breaks, trial) in trials {
        let ((mut code, mut text), _node, at) = trial.join().expect("it ends");
        if breaks == 0 {
            if code != Some(0) {
                // A machine that had no time for it is no fault of the node's.
                println!("the sound node among the others: {text}");
                (code, text) = node_check(&at);
            }
            assert_eq!(code, Some(0), "{text}");
            assert!(text.contains("all 31 lines pass"), "{text}");
            continue;
        }
        let failed: Vec<&str> = text.lines().filter(|line| line.contains(" FAIL ")).collect();
        println!("a node that breaks line {breaks} fails {failed:#?}");
        assert_eq!(code, Some(1), "{breaks}: {text}");
        let own = failed.iter().any(|line| line.starts_with(&format!("line {breaks:2} FAIL")));
        assert!(own, "line {breaks} was broken and passed:\n{text}");
    }
}

#[test]
fn hostile_bytes_are_counted_and_do_no_harm_to_the_link() {
    let (mut link, mut deframer, mut out) = (Link::new(None, 1), Deframer::default(), Vec::new());
    let hello = "/node/hello";
    let text = |text: &str| Argument::Text(text.to_owned());
    let number = Argument::Int;
    let arguments = vec![number(1), number(0), number(7), text("m"), text("lamps"), number(1), number(1), number(0)];
    let hello = Message { address: hello.to_owned(), arguments };
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus/osc");
    let mut line: Vec<u8> = Vec::new();
    for entry in folder.read_dir().expect("the corpus is part of the repository") {
        let bytes = std::fs::read(entry.expect("readable").path()).expect("readable");
        line.extend(&bytes);
        line.extend(frame(&bytes));
    }
    // Bytes of a fixed seed, with many of those that mean something to a frame.
    let mut seed = 0x5EED_u64;
    line.extend((0..400_000).map(|_| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let any = (seed >> 33) as usize;
        if any.is_multiple_of(3) { [192, 219, 220, 221, 0, b'/', b',', b'n'][any / 3 % 8] } else { (any >> 8) as u8 }
    }));
    line.extend(frame(&osc::encode(&hello)));
    let mut malformed = 0_u64;
    for byte in line {
        let Some(packet) = deframer.push(byte) else { continue };
        match osc::decode(packet) {
            Ok(groups) => {
                groups.iter().flat_map(|group| &group.messages).for_each(|message| link.hear(1, message, &mut out))
            }
            Err(_) => malformed += 1,
        }
    }
    println!("{:?}, {malformed} malformed, {:?}", deframer.counts(), link.standing());
    assert!(deframer.counts().spoiled > 1000 && malformed > 1000);
    assert!(link.is_up(), "the hello after all that was understood");
    assert!(out.len() < 10, "nothing else was taken for a node: {out:?}");
}

#[test]
fn nobody_there_is_no_failed_line_but_a_check_that_could_not_run() {
    let silent = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    let (code, text) = node_check(&silent.local_addr().expect("bound").to_string());
    assert_eq!(code, Some(3), "{text}");
    assert!(text.contains("nothing there speaks the wire"), "{text}");
}

// ---- a serial line ----

/// Carries bytes between two pairs of ends at the pace of the line, until it is dropped.
struct Throttle {
    near: Pty,
    far: Pty,
    stop: Arc<AtomicBool>,
    /// Nothing comes through.
    cut: Arc<AtomicBool>,
    carriers: Vec<std::thread::JoinHandle<u64>>,
}

fn open_end(path: &Path) -> std::fs::File {
    std::fs::OpenOptions::new().read(true).write(true).open(path).expect("the end is there")
}

impl Throttle {
    fn new() -> Self {
        let (near, far) = (Pty::new(), Pty::new());
        let stop = Arc::new(AtomicBool::new(false));
        let cut = Arc::new(AtomicBool::new(false));
        let (a, b) = (open_end(&near.end("panel")), open_end(&far.end("desk")));
        let both = [(a.try_clone().expect("dup"), b.try_clone().expect("dup")), (b, a)];
        let carriers = both.map(|(from, to)| {
            let (stop, cut) = (Arc::clone(&stop), Arc::clone(&cut));
            std::thread::spawn(move || carry(from, to, &stop, &cut))
        });
        Self { near, far, stop, cut, carriers: carriers.into() }
    }

    fn desk(&self) -> PathBuf {
        self.near.end("desk")
    }

    fn node(&self) -> PathBuf {
        self.far.end("panel")
    }
}

impl Drop for Throttle {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        // A byte each way wakes who still reads.
        for path in [self.near.end("desk"), self.far.end("panel")] {
            open_end(&path).write_all(&[192]).ok();
        }
        for carrier in self.carriers.drain(..) {
            carrier.join().ok();
        }
    }
}

/// One direction: 32 bytes at a time, each in the time it takes.
fn carry(mut from: std::fs::File, mut to: std::fs::File, stop: &AtomicBool, cut: &AtomicBool) -> u64 {
    let (mut carried, mut free_at) = (0, Instant::now());
    let mut piece = [0; 32];
    while !stop.load(Ordering::Acquire) {
        let Ok(count) = from.read(&mut piece) else { break };
        free_at = free_at.max(Instant::now()) + Duration::from_micros(count as u64 * 1_000_000 / BYTES_PER_SECOND);
        std::thread::sleep(free_at.saturating_duration_since(Instant::now()));
        if !cut.load(Ordering::Acquire) && to.write_all(&piece[..count]).is_err() {
            break;
        }
        carried += count as u64;
    }
    carried
}

#[test]
fn node_check_passes_every_line_on_a_throttled_serial_line_and_sees_a_frame_without_end() {
    if !have(&["cc", "socat"]) {
        return;
    }
    let trials = [0, 1].map(|breaks| {
        std::thread::spawn(move || {
            let line = Throttle::new();
            let _node = Node::start(breaks, &["serial", line.node().to_str().expect("text")]);
            node_check(line.desk().to_str().expect("text"))
        })
    });
    let [sound, broken] = trials.map(|trial| trial.join().expect("it ends"));
    println!("{}", sound.1);
    assert_eq!(sound.0, Some(0), "{}", sound.1);
    assert!(sound.1.contains("all 32 lines pass"), "{}", sound.1);
    assert_eq!(broken.0, Some(1), "{}", broken.1);
    assert!(broken.1.contains("line  1 FAIL"), "{}", broken.1);
}

// ---- the daemon ----

const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"Node\"\n\n\
    [channel.a]\nsource = \"tone\"\nassign.programme = \"on\"\nswitch = \"closed\"\n\n\
    [moves]\nf1 = { target = \"channel.a.fader\", rejoin = \"at-once\" }\nb1 = \"channel.a.switch\"\n\
    live = \"channel.a.switch\"\n";
const PANEL: &str = "form = 1\nkind = \"panel\"\n\n\
    [control.f1]\nkind = \"fader\"\nport = \"frame\"\nmessage = \"osc\"\naddress = \"/strip-1/fader\"\n\n\
    [control.b1]\nkind = \"momentary\"\nport = \"frame\"\nmessage = \"osc\"\naddress = \"/strip-1/button\"\n\n\
    [control.live]\nkind = \"lamp\"\nport = \"frame\"\nmessage = \"osc\"\naddress = \"/lamp/live\"\n";

fn rig(line: &str) -> String {
    format!(
        "form = 1\nkind = \"rig\"\n\n[input.tone]\nkind = \"line\"\ngenerator = \"sine\"\n\n\
         [control-port.frame]\nkind = \"node\"\n{line}\nslot = 5\n\n\
         [output.start]\nkind = \"contact\"\nport = \"frame\"\nname = \"start-1\"\nsafe = \"open\"\npulse_ms = 200\n\n\
         [output.room-lamp]\nkind = \"contact\"\nport = \"frame\"\nsafe = \"closed\"\n\n\
         [output.mute]\nkind = \"contact\"\nport = \"frame\"\nname = \"speaker-mute\"\nsafe = \"closed\"\n"
    )
}

fn serial_rig(line: &Throttle) -> String {
    rig(&format!("path = \"{}\"", line.desk().display()))
}

/// What a daemon and a node do together, whatever the line.
fn together(daemon: &mut Daemon, node: &mut Node, silence: impl Fn(bool)) {
    daemon.await_line("node host node 1 in slot 5: 12 controls, 4 lamps, 3 contacts");
    node.await_line("lost=0 lamps=0000 contacts=011");
    // Gestures: a press opens the channel, which lights its lamp; a fader sets its level.
    node.say("move 8 1");
    node.say("move 8 0");
    node.await_line("lamps=0010");
    assert_eq!(daemon.ask("/channel/a/switch"), Argument::Text("open".to_owned()));
    node.say("move 0 0.5");
    node.say("move 0 0.76");
    wait_until("the fader is there", || daemon.ask("/channel/a/fader") == Argument::Float(0.0));
    // Contacts: states and a pulse that the node times.
    let mark = node.mark();
    daemon.word("/contact/room-lamp/state", "open");
    daemon.word("/contact/mute/state", "open");
    node.after(mark, "contacts=000");
    assert_eq!(daemon.ask("/contact/mute/state"), Argument::Text("open".to_owned()));
    let mark = node.mark();
    daemon.say("/contact/start/pulse", &[]);
    let (closed, _) = node.after(mark, "contacts=100");
    let mark = mark + 1;
    let (open, _) = node.after(mark, "contacts=000");
    println!("the node made a pulse of {:.0} ms for one of 200", (open - closed) * 1000.0);
    assert!((0.19..0.45).contains(&(open - closed)), "{closed} to {open}");
    daemon.await_line("contact start-1 made its pulse of");
    // Nothing comes through any more: both ends notice.
    let mark = node.mark();
    silence(true);
    let (_, lost) = node.after(mark, "lost=1");
    assert!(lost.contains("lamps=1111 contacts=011"), "fails lit, room lamp lit, loudspeakers muted: {lost}");
    node.after(mark, "lamps=0000");
    daemon.await_line("the node is lost");
    assert_eq!(daemon.ask("/channel/a/switch"), Argument::Text("open".to_owned()), "gains stay as they are");
    let mark = node.mark();
    silence(false);
    node.after(mark, "lost=0 lamps=0010 contacts=000");
    daemon.await_lines("node host node 1 in slot 5", 2);
}

#[test]
fn a_node_on_a_throttled_serial_line_moves_shows_pulses_and_fails_lit() {
    if !have(&["cc", "socat"]) {
        return;
    }
    let line = Throttle::new();
    let mut daemon = Daemon::start(&serial_rig(&line), Some(PANEL), PROFILE);
    let mut node = Node::start(0, &["serial", line.node().to_str().expect("text")]);
    together(&mut daemon, &mut node, |cut| line.cut.store(cut, Ordering::Release));
    // The daemon dies: the lamps fail lit.
    let mark = node.mark();
    let _folder = daemon.crash();
    let (_, lost) = node.after(mark, "lost=1");
    assert!(lost.contains("lamps=1111 contacts=011"), "{lost}");
}

#[test]
fn a_node_on_udp_does_the_same_and_a_stopped_desk_fails_lit() {
    if !have(&["cc"]) {
        return;
    }
    let (mut node, at) = Node::udp(0);
    let daemon = Daemon::start(&rig(&format!("address = \"{at}\"")), Some(PANEL), PROFILE);
    let process = node.child.id();
    // A node that is stopped notices only when it goes on; the desk notices meanwhile.
    daemon.await_line("node host node 1 in slot 5");
    support::signal("STOP", process);
    daemon.await_line("the node is lost: no heartbeat for 2.0 s");
    support::signal("CONT", process);
    daemon.await_lines("node host node 1 in slot 5", 2);
    node.say("move 8 1");
    node.say("move 8 0");
    node.await_line("lost=0 lamps=0010");
    // A desk that hangs is a desk that is lost.
    let mark = node.mark();
    support::signal("STOP", daemon.process());
    let (_, lost) = node.after(mark, "lost=1");
    assert!(lost.contains("lamps=1111"), "{lost}");
    support::signal("CONT", daemon.process());
    node.after(mark, "lost=0");
}

/// The whole way of a tally: a hand on the node's button, the desk, the node's lamp and the contact of the room. Common
/// practice wants 50 ms from the act to the lamp, no source; what it took is printed.
#[test]
fn a_tally_lights_on_the_node_by_a_press_on_the_node_and_the_room_lamp_with_it() {
    if !have(&["cc"]) {
        return;
    }
    let (mut node, at) = Node::udp(0);
    let rig = rig(&format!("address = \"{at}\""))
        + "\n[device.box]\nhost = \"jack\"\nidentity = \"nobody\"\ninputs = 1\noutputs = 2\n\n\
           [input.mic]\nkind = \"microphone\"\ndevice = \"box\"\nchannels = [1]\nroom = \"hall\"\n\n\
           [output.stream]\nkind = \"feed\"\ndevice = \"box\"\nchannels = [1, 2]\n\n\
           [room.hall]\nlamp = \"room-lamp\"\nmute = \"mute\"\n";
    let profile = PROFILE
        .replace("\"tone\"", "\"mic\"\nfader = 0.0")
        .replace("live = \"channel.a.switch\"", "live = \"channel.a.tally\"");
    let daemon = Daemon::start(&rig, Some(PANEL), &profile);
    daemon.await_line("node host node 1 in slot 5");
    node.await_line("lost=0 lamps=0000 contacts=000");
    let (mut lamps, mut rooms) = (Vec::new(), Vec::new());
    for _ in 0..10 {
        let mark = node.mark();
        let act = Instant::now();
        node.say("move 8 1");
        let seen = |what: &str| {
            while !node.said.lock().expect("sound")[mark..].iter().any(|line| line.contains(what)) {
                assert!(act.elapsed() < Duration::from_secs(30), "{what}: {}", node.last());
                std::thread::sleep(Duration::from_micros(200));
            }
            act.elapsed().as_secs_f64() * 1e3
        };
        lamps.push(seen("lamps=0010"));
        rooms.push(seen("lamps=0010 contacts=011"));
        node.say("move 8 0");
        wait_until("it is open", || daemon.ask("/channel/a/switch") == Argument::Text("open".to_owned()));
        let mark = node.mark();
        node.say("move 8 1");
        node.say("move 8 0");
        node.after(mark, "lamps=0000 contacts=000");
    }
    // Nobody darkens it by hand.
    daemon.word("/channel/a/switch", "open");
    wait_until("it is open", || daemon.ask("/channel/a/switch") == Argument::Text("open".to_owned()));
    daemon.word("/contact/room-lamp/state", "open");
    assert_eq!(daemon.ask("/contact/room-lamp/state"), Argument::Text("closed".to_owned()));
    let longest = |times: &[f64]| times.iter().copied().fold(0.0, f64::max);
    println!(
        "from the press: the lamp after {:.1} ms at most, the room after {:.1} ms",
        longest(&lamps),
        longest(&rooms)
    );
}

/// A panel whose buttons move contacts themselves, and the lines of its profile.
fn panel_for_contacts() -> (String, String) {
    let panel = PANEL.to_owned()
        + "\n[control.b2]\nkind = \"momentary\"\nport = \"frame\"\nmessage = \"osc\"\naddress = \"/strip-2/button\"\n";
    let profile = PROFILE
        .replace("b1 = \"channel.a.switch\"", "b1 = \"contact.start.pulse\"\nb2 = \"contact.mute.state\"")
        .replace("live = \"channel.a.switch\"", "live = \"contact.mute.state\"");
    (panel, profile)
}

#[test]
fn a_button_pulses_and_moves_contacts_and_its_lamp_shows_how_they_stand_whoever_moved_them() {
    if !have(&["cc"]) {
        return;
    }
    let (mut node, at) = Node::udp(0);
    let (panel, profile) = panel_for_contacts();
    let daemon = Daemon::start(&rig(&format!("address = \"{at}\"")), Some(&panel), &profile);
    daemon.await_line("node host node 1 in slot 5");
    // At their safe states, and the lamp says so.
    node.await_line("lost=0 lamps=0010 contacts=011");
    let mark = node.mark();
    node.say("move 8 1");
    node.say("move 8 0");
    node.after(mark, "contacts=111");
    daemon.await_line("contact start-1 made its pulse of");
    let press = |node: &mut Node| {
        let mark = node.mark();
        node.say("move 9 1");
        node.say("move 9 0");
        mark
    };
    let mark = press(&mut node);
    node.after(mark, "lamps=0000 contacts=010");
    assert_eq!(daemon.ask("/contact/mute/state"), Argument::Text("open".to_owned()));
    // A message moves it, the lamp follows, and the next press goes on from there.
    let mark = node.mark();
    daemon.word("/contact/mute/state", "closed");
    node.after(mark, "lamps=0010 contacts=011");
    let mark = press(&mut node);
    node.after(mark, "lamps=0000 contacts=010");
    // A locked panel starts and moves nothing.
    daemon.word("/desk/lock", "on");
    assert_eq!(daemon.ask("/desk/lock"), Argument::Text("on".to_owned()));
    press(&mut node);
    // What a locked panel may do, said after it by the same node: so the press has been heard.
    node.say("move 0 0.5");
    node.say("move 0 0.0");
    wait_until("the fader is off", || daemon.ask("/channel/a/fader") == Argument::Text("off".to_owned()));
    assert_eq!(daemon.ask("/contact/mute/state"), Argument::Text("open".to_owned()));
    daemon.word("/desk/lock", "off");
    assert_eq!(daemon.ask("/desk/lock"), Argument::Text("off".to_owned()));
    let mark = press(&mut node);
    node.after(mark, "contacts=011");
    assert_eq!(daemon.count("made its pulse of"), 1);
}

#[test]
fn no_control_moves_the_lamp_or_the_mute_of_a_room_nor_a_contact_that_is_not_made_for_it() {
    let rig = rig("address = \"127.0.0.1:9\"")
        + "\n[device.box]\nhost = \"jack\"\nidentity = \"nobody\"\ninputs = 1\n\n\
           [input.mic]\nkind = \"microphone\"\ndevice = \"box\"\nchannels = [1]\nroom = \"hall\"\n\n\
           [room.hall]\nlamp = \"room-lamp\"\n";
    let (panel, profile) = panel_for_contacts();
    let found = |from: &str, to: &str| {
        assert!(profile.contains(from), "{from}");
        let source = |name: &str, text: &str| Source { name: name.into(), text: text.to_owned() };
        let texts = Texts {
            rig: vec![source("rig.toml", &rig)],
            panel: Some(source("panel.toml", &panel)),
            profile: Some(source("profile.toml", &profile.replace(from, to))),
            ..Texts::default()
        };
        let (checked, diagnostics) = check(&texts);
        let text = diagnostics.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
        (checked.is_some(), text)
    };
    assert!(found("b1 = \"contact.start.pulse\"", "b1 = \"contact.start.pulse\"").0);
    for (from, to, why) in [
        ("b2 = \"contact.mute.state\"", "b2 = \"contact.room-lamp.state\"", "it is the lamp or the mute of a room"),
        ("b1 = \"contact.start.pulse\"", "b1 = \"contact.mute.pulse\"", "it stands open or closed"),
        ("b2 = \"contact.mute.state\"", "b2 = \"contact.start.state\"", "it makes pulses"),
        ("b2 = \"contact.mute.state\"", "b2 = \"contact.mut.state\"", "there is no contact \"mut\""),
        (
            "{ target = \"channel.a.fader\", rejoin = \"at-once\" }",
            "\"contact.mute.state\"",
            "only buttons move contacts",
        ),
    ] {
        let (sound, text) = found(from, to);
        assert!(!sound && text.contains(why), "{to}: {text}");
    }
    // A lamp may show what nothing moves.
    assert!(found("live = \"contact.mute.state\"", "live = \"contact.room-lamp.state\"").0);
}

#[test]
fn a_node_strapped_for_another_slot_is_not_taken() {
    if !have(&["cc"]) {
        return;
    }
    let (node, at) = Node::udp(0);
    let rig = rig(&format!("address = \"{at}\"")).replace("slot = 5", "slot = 6");
    let daemon = Daemon::start(&rig, Some(PANEL), PROFILE);
    daemon.await_line("it is strapped for slot 5, the rig expects slot 6 there");
    assert!(node.last().contains("lost=1"), "no beat for a node that is not taken: {}", node.last());
    assert_eq!(daemon.ask("/contact/mute/state"), Argument::Text("closed".to_owned()), "safe until told");
}

#[test]
fn ten_minutes_on_a_throttled_line_lose_no_message() {
    if !have(&["cc", "socat"]) {
        return;
    }
    let proof = std::env::var_os("LONGTHROW_PROOF").is_some();
    let time = Duration::from_secs(if proof { 600 } else { 20 });
    let line = Throttle::new();
    let daemon = Daemon::start(&serial_rig(&line), Some(PANEL), PROFILE);
    let mut node = Node::start(0, &["serial", line.node().to_str().expect("text")]);
    node.await_line("lost=0");
    node.say("hands on");
    let begun = Instant::now();
    while begun.elapsed() < time {
        // A lamp each way a few times a second.
        daemon.word("/channel/a/switch", "open");
        std::thread::sleep(Duration::from_millis(200));
        daemon.word("/channel/a/switch", "closed");
        std::thread::sleep(Duration::from_millis(200));
    }
    node.say("hands off");
    std::thread::sleep(Duration::from_secs(1));
    let report = node.quit();
    let status = daemon.await_line("the node is lost");
    let numbers = status.split('[').nth(1).expect("what was counted");
    println!("{} s: the desk {numbers} the node {report}", time.as_secs());
    for word in ["missed", "late", "malformed", "dropped", "losses"] {
        let expected = u64::from(word == "losses");
        assert_eq!(counted(numbers, word), expected, "{word}: {status}");
    }
    for word in ["beats missed", "packets dropped"] {
        assert_eq!(counted(&report, word), 0, "{report}");
    }
    // A machine that runs other tests beside this one may stand still for longer than a beat may be late: the node has to
    // say so then, and it is no loss of a message. The proof runs alone.
    if proof {
        assert_eq!(counted(&report, "losses"), 0, "{report}");
    }
    assert!(counted(numbers, "taken") >= counted(&report, "moves") / 3, "{numbers} {report}");
}
