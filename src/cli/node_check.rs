//! `longthrow node-check`: every numbered line of the wire to a panel node (`configs/node/WIRE.md`), tried on a real one.
//!
//! [`Bench`] plays the desk: it beats, asks, and keeps everything that was heard with its time. [`LINES`] holds one
//! trial for each line; what is judged is always what came over the wire.

mod trials;

use super::{complain, exit, print, print_json};
use crate::panel::node::{BEAT_MS, FORM, FromNode, Hello, ToNode};
use crate::panel::osc::Message;
use crate::panel::slip::{Deframer, FrameCounts, frame};
use crate::ports::control::{ControlNotice, OpenControl};
use crate::ports::{osc, serial};
use clap::Args;
use serde::Serialize;
use std::io;
use std::net::{SocketAddr, ToSocketAddrs, UdpSocket};
use std::path::Path;
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::{Duration, Instant};
use trials::LINES;

/// How long a node is waited for.
const FIND: Duration = Duration::from_secs(5);
/// Pieces of the line that may wait to be read.
const PIECES: usize = 4096;

/// Tries every line of the wire document on a panel node and says pass or fail for each.
///
/// Takes about 20 seconds. Nothing else may be on the line: stop the desk first. Every lamp will flash and every contact
/// of the node will move: unplug what hangs on the contacts, and keep away from what they start.
#[derive(Debug, Args)]
pub(super) struct NodeCheck {
    /// A serial device (/dev/serial/by-id/...) or the address and UDP port of the node (10.0.0.7:9124)
    port: String,
    /// Bits per second of a serial line
    #[arg(long, default_value_t = 115_200)]
    baud: u32,
    /// The slot that the node is strapped for
    #[arg(long, value_parser = clap::value_parser!(i32).range(0..=63))]
    slot: Option<i32>,
    /// As JSON
    #[arg(long)]
    json: bool,
}

/// How one line went.
#[derive(Debug, Serialize)]
struct Outcome {
    line: u32,
    what: &'static str,
    verdict: Verdict,
    detail: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
enum Verdict {
    Pass,
    Fail,
    /// The node does not claim to be able to do this, or the kind of line has nothing to try.
    Skipped,
}

/// What a trial found: what passed, what did not, or why there was nothing to try.
enum Found {
    Pass(String),
    Fail(String),
    Skip(&'static str),
}

impl NodeCheck {
    pub(super) fn run(self) -> u8 {
        let line = match Line::open(&self.port, self.baud) {
            Ok(line) => line,
            Err(error) => {
                complain(&format!("{} cannot be opened: {error}", self.port));
                return exit::COULD_NOT_RUN;
            }
        };
        let mut bench = Bench::new(line, self.slot);
        if let Err(why) = bench.meet() {
            complain(&format!("{}: {why}", self.port));
            return exit::COULD_NOT_RUN;
        }
        let mut outcomes = Vec::new();
        for line in trials::order() {
            let (number, what, trial) = LINES[line];
            let (verdict, detail) = match trial(&mut bench) {
                Found::Pass(detail) => (Verdict::Pass, detail),
                Found::Fail(detail) => (Verdict::Fail, detail),
                Found::Skip(why) => (Verdict::Skipped, why.to_owned()),
            };
            outcomes.push(Outcome { line: number, what, verdict, detail });
        }
        outcomes.sort_by_key(|outcome| outcome.line);
        let failed = outcomes.iter().filter(|outcome| outcome.verdict == Verdict::Fail).count();
        let printed = if self.json { print_json(&outcomes) } else { print(&text(&bench, &outcomes, failed)) };
        match (printed, failed) {
            (false, _) => exit::COULD_NOT_RUN,
            (true, 0) => exit::FINE,
            (true, _) => exit::NOT_FINE,
        }
    }
}

fn text(bench: &Bench, outcomes: &[Outcome], failed: usize) -> String {
    let hello = bench.hello.as_ref();
    let mut text = hello.map_or_else(String::new, |hello| {
        format!(
            "{} in slot {}: {} controls, {} lamps, {} contacts ({})\n",
            hello.maker, hello.slot, hello.controls, hello.lamps, hello.contacts, hello.capabilities
        )
    });
    for Outcome { line, what, verdict, detail } in outcomes {
        let verdict = match verdict {
            Verdict::Pass => "pass",
            Verdict::Fail => "FAIL",
            Verdict::Skipped => "----",
        };
        text += &format!("line {line:2} {verdict}  {what}: {detail}\n");
    }
    text += "not tried: whether lamps gave light (all should have flashed), straps, isolation, filters, the first second of power\n";
    let tried = outcomes.iter().filter(|outcome| outcome.verdict != Verdict::Skipped).count();
    text + &if failed == 0 { format!("all {tried} lines pass\n") } else { format!("{failed} of {tried} lines fail\n") }
}

/// The way to the node.
enum Line {
    Serial { control: OpenControl, pieces: Receiver<Vec<u8>>, deframer: Deframer, packets: Vec<Vec<u8>> },
    Udp(UdpSocket),
}

impl Line {
    fn open(port: &str, baud: u32) -> io::Result<Self> {
        if Path::new(port).exists() {
            let (tell, pieces) = sync_channel(PIECES);
            let sink = Box::new(move |notice: ControlNotice<'_>| {
                if let ControlNotice::Bytes(bytes) = notice {
                    // What does not fit shows as a gap in what the node says.
                    drop(tell.try_send(bytes.to_vec()));
                }
            });
            let control = serial::open_serial(Path::new(port), baud, sink)?;
            return Ok(Self::Serial { control, pieces, deframer: Deframer::default(), packets: Vec::new() });
        }
        if port.contains('/') {
            return Err(io::Error::new(io::ErrorKind::NotFound, "there is no such device"));
        }
        let to = port.to_socket_addrs()?.next().ok_or(io::ErrorKind::AddrNotAvailable)?;
        let any: SocketAddr = if to.is_ipv4() { ([0, 0, 0, 0], 0).into() } else { ([0_u16; 8], 0).into() };
        let socket = UdpSocket::bind(any)?;
        socket.connect(to)?;
        Ok(Self::Udp(socket))
    }

    fn send(&self, packet: &[u8]) {
        match self {
            Self::Serial { .. } => self.send_bytes(&frame(packet)),
            Self::Udp(_) => self.send_bytes(packet),
        }
    }

    /// Bytes as they are: a datagram, or a piece of the serial line.
    fn send_bytes(&self, bytes: &[u8]) {
        match self {
            Self::Serial { control, .. } => {
                for piece in bytes.chunks(512) {
                    control.out.send(piece);
                }
            }
            // A node that is not there answers nothing, which is what is judged.
            Self::Udp(socket) => drop(socket.send(bytes)),
        }
    }

    /// The next packet, if one comes in time.
    fn receive(&mut self, timeout: Duration) -> Option<Vec<u8>> {
        let until = Instant::now() + timeout;
        match self {
            Self::Udp(socket) => {
                let mut packet = [0; 4096];
                socket.set_read_timeout(Some(timeout.max(Duration::from_micros(500)))).ok()?;
                socket.recv(&mut packet).ok().map(|length| packet[..length].to_vec())
            }
            Self::Serial { pieces, deframer, packets, .. } => loop {
                if !packets.is_empty() {
                    return Some(packets.remove(0));
                }
                match pieces.recv_timeout(until.saturating_duration_since(Instant::now())) {
                    Ok(piece) => {
                        packets.extend(piece.iter().filter_map(|byte| deframer.push(*byte).map(<[u8]>::to_vec)));
                    }
                    Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => return None,
                }
            },
        }
    }

    fn frames(&self) -> Option<FrameCounts> {
        match self {
            Self::Serial { deframer, .. } => Some(deframer.counts()),
            Self::Udp(_) => None,
        }
    }
}

/// Something heard, and when.
struct Heard {
    at: Instant,
    said: FromNode,
}

/// The desk that the node sees.
struct Bench {
    line: Line,
    slot: Option<i32>,
    hello: Option<Hello>,
    heard: Vec<Heard>,
    /// Packets that were no sound OSC, that were too long, that were bundles, and that say nothing known.
    unsound: Vec<String>,
    beating: bool,
    beat_due: Instant,
    last_beat: Instant,
    beat_count: i32,
    token: i32,
    /// What the line had seen before anything was judged.
    frames_before: FrameCounts,
    /// Trials that serve several lines are made once.
    loss: Option<trials::Loss>,
    burst: Option<trials::Burst>,
}

impl Bench {
    fn new(line: Line, slot: Option<i32>) -> Self {
        let now = Instant::now();
        Self {
            line,
            slot,
            hello: None,
            heard: Vec::new(),
            unsound: Vec::new(),
            beating: false,
            beat_due: now,
            last_beat: now,
            beat_count: 0,
            token: 100,
            frames_before: FrameCounts::default(),
            loss: None,
            burst: None,
        }
    }

    /// Asks until a node answers or beats, clears what a line said from before, and lets it settle.
    fn meet(&mut self) -> Result<(), String> {
        let until = Instant::now() + FIND;
        self.beating = true;
        while self.heard.is_empty() {
            if Instant::now() >= until {
                return Err("nothing there speaks the wire of a panel node".to_owned());
            }
            self.say(&ToNode::HelloAsk { form: FORM });
            self.wait(Duration::from_millis(300));
        }
        self.wait(Duration::from_millis(500));
        self.hello = self.heard.iter().rev().find_map(|heard| match &heard.said {
            FromNode::Hello(hello) => Some(hello.clone()),
            _ => None,
        });
        // What was on the line before may have been cut.
        self.heard.clear();
        self.unsound.clear();
        self.frames_before = self.line.frames().unwrap_or_default();
        Ok(())
    }

    fn say(&mut self, what: &ToNode<'_>) {
        self.line.send(&osc::encode(&what.message()));
    }

    fn say_message(&mut self, message: &Message) {
        self.line.send(&osc::encode(message));
    }

    fn next_token(&mut self) -> i32 {
        self.token += 1;
        self.token
    }

    fn can(&self, word: &str) -> bool {
        self.hello.as_ref().is_some_and(|hello| hello.can(word))
    }

    /// Goes on for so long.
    fn wait(&mut self, time: Duration) {
        self.wait_for(time, |_| false);
    }

    /// Goes on until something heard meanwhile is meant, at most so long; says whether it was.
    fn wait_for(&mut self, longest: Duration, mut meant: impl FnMut(&FromNode) -> bool) -> bool {
        let until = Instant::now() + longest;
        loop {
            let now = Instant::now();
            if self.beating && now >= self.beat_due {
                self.beat_count += 1;
                self.say(&ToNode::Beat { count: self.beat_count });
                (self.last_beat, self.beat_due) = (now, now + Duration::from_millis(BEAT_MS));
            }
            if now >= until {
                return false;
            }
            let slice = until.saturating_duration_since(now).min(Duration::from_millis(10));
            let Some(packet) = self.line.receive(slice) else { continue };
            if self.take(&packet, &mut meant) {
                return true;
            }
        }
    }

    fn take(&mut self, packet: &[u8], meant: &mut impl FnMut(&FromNode) -> bool) -> bool {
        let at = Instant::now();
        if packet.len() > crate::panel::slip::FRAME_BYTES_MAX {
            self.unsound.push(format!("a packet of {} bytes", packet.len()));
        }
        if packet.starts_with(b"#bundle") {
            self.unsound.push("a bundle".to_owned());
        }
        let groups = match osc::decode(packet) {
            Ok(groups) => groups,
            Err(refusal) => {
                self.unsound.push(refusal.to_string());
                return false;
            }
        };
        let mut any = false;
        for message in groups.into_iter().flat_map(|group| group.messages) {
            match FromNode::read(&message) {
                Some(said) => {
                    any |= meant(&said);
                    self.heard.push(Heard { at, said });
                }
                None => self.unsound.push(format!("{} with arguments that are not the wire's", message.address)),
            }
        }
        any
    }
}
