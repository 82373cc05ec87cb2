//! OSC over real loopback sockets against a real desk on a thread of its own, with a clock that the test moves.

#![allow(clippy::print_stdout, reason = "tests say what they saw and what they skip")]

mod support;

use longthrow::daemon::hub::{DATAGRAM_BYTES_MAX, Hub, MeterTable};
use longthrow::daemon::inbox::{Ask, Inbox, Item, Origin};
use longthrow::daemon::network::{self, Answers, HELD_MAX, Network, NetworkSetup, To};
use longthrow::daemon::nodes::Nodes;
use longthrow::desk::{By, Desk, Event, FLOOR_DBFS, Feedback};
use longthrow::engine::MeterFrame;
use longthrow::panel::PortIndex;
use longthrow::panel::encode::encode_osc;
use longthrow::panel::osc::{ARGUMENTS_MAX, Argument, Message, Pattern, Refusal, TimeTag};
use longthrow::params::{Address, Value};
use longthrow::ports::{clock, osc, udp};
use longthrow::profile::{
    self, Bus, Channel, Control, ControlKind, ControlPort, Follower, Id, Input, InputFrom, InputKind, Installation,
    Move, Panel, Profile, Reach, Rejoin, Rig, Role, Signal,
};
use longthrow::units::{Frames, SampleRate};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::net::{IpAddr, SocketAddr, UdpSocket};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;
use support::{have, wait_until};
use tokio::runtime::{Builder, Runtime};
use tokio::sync::{Notify, watch};

const RATE: SampleRate = SampleRate::HZ_48000;

// ---- an installation ----

fn id(text: &str) -> Id {
    Id::from(text)
}

fn rig() -> Rig {
    let silence = InputFrom::Generator { signal: Signal::Silence, level: longthrow::units::Decibels::SILENCE };
    // Only a device can be a microphone; this one is not there, which changes nothing here.
    let wire = InputFrom::Device { device: id("box"), channels: vec![0] };
    Rig {
        rate: Some(RATE),
        clock: None,
        devices: vec![],
        inputs: vec![
            Input { id: id("line"), kind: InputKind::Line, from: silence },
            Input { id: id("lectern"), kind: InputKind::Microphone, from: wire },
        ],
        outputs: vec![],
        contacts: vec![],
        console: longthrow::profile::RigConsole::default(),
        control_ports: vec![],
        network: profile::Network {
            listen: "127.0.0.1:0".parse().expect("an address"),
            remotes: BTreeMap::new(),
            wired_control: vec![],
            followers: vec![],
        },
        storage: None,
        call: None,
    }
}

/// So many channels `c1`, `c2`... of a line input, and `mic`, which is a microphone.
fn installation(channels: usize) -> Installation {
    let channel = |name: String| Channel { id: id(&name), was: None, label: String::new() };
    let mut all: Vec<Channel> = (1..channels).map(|n| channel(format!("c{n}"))).collect();
    all.push(channel("mic".to_owned()));
    let source = |channel: &Channel| {
        let input = if &*channel.id == "mic" { "lectern" } else { "line" };
        (address(&format!("channel.{}.source", channel.id)), Value::Word(input.into()))
    };
    let values = all.iter().map(source).collect();
    let bus = |name: &str| Bus { id: id(name), was: None, label: name.to_owned(), minus: None };
    let buses = vec![bus("programme"), bus("audition")];
    let profile = Profile {
        name: "test".to_owned(),
        channels: all,
        buses,
        gain_groups: vec![],
        moves: vec![],
        console: longthrow::profile::ShowConsole::default(),
        values,
        scenes: vec![],
        scene_buttons: vec![],
    };
    Installation { rig: rig(), panel: Panel::default(), profile }
}

/// A panel at this address with one fader that moves the fader of `c1`.
fn with_panel(mut installation: Installation, at: IpAddr) -> Installation {
    let reach = Reach::Osc { address: at, reply: None };
    installation.rig.control_ports = vec![ControlPort { id: id("box"), reach }];
    installation.panel.controls = vec![Control {
        id: id("f1"),
        place: String::new(),
        kind: ControlKind::Fader,
        port: id("box"),
        message: profile::Message::Osc { address: "/panel/f1".into(), lowest: 0.0, highest: 1.0 },
        calibration: None,
        travel_mm: 100.0,
        feedback: true,
    }];
    installation.profile.moves = vec![Move {
        control: id("f1"),
        target: address("channel.c1.fader"),
        response: None,
        step: None,
        rejoin: Rejoin::AtOnce,
    }];
    installation
}

fn address(dotted: &str) -> Address {
    Address::from_dotted(dotted).expect(dotted)
}

// ---- the daemon around the network ----

/// A desk's thread, a network and what moves the time and the meters of both.
struct Daemon {
    network: Network,
    now: Arc<AtomicU64>,
    meters: Arc<Mutex<Vec<MeterFrame>>>,
    mix: Arc<Mutex<BTreeMap<Address, Value>>>,
    /// What the desk was asked to change, with when it was due.
    changes: Arc<Mutex<Vec<(Frames, Event)>>>,
    table: watch::Sender<Arc<MeterTable>>,
    reload: Arc<Notify>,
    inbox: Arc<Inbox>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    // Dropped last: the tasks run on it.
    runtime: Runtime,
}

impl Daemon {
    fn start(installation: Installation) -> Self {
        let runtime = Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("a runtime");
        let inbox = Arc::new(Inbox::new(installation.rig.control_ports.len() + 2));
        let now = Arc::new(AtomicU64::new(1_000));
        let meters = Arc::new(Mutex::new(Vec::new()));
        let desk = Desk::new(installation.clone(), RATE);
        let (table, meter_table) =
            watch::channel(Arc::new(MeterTable { plan: 0, names: desk.meter_table(), ..MeterTable::default() }));
        let reload = Arc::new(Notify::new());
        let queue = Arc::clone(&meters);
        let frame = Arc::clone(&now);
        let setup = NetworkSetup {
            rig: installation.rig,
            panel: installation.panel,
            rate: RATE,
            inbox: Arc::clone(&inbox),
            meters: Box::new(move |each| {
                queue.lock().expect("sound").drain(..).for_each(|frame| each(&frame));
            }),
            meter_table,
            now: Arc::new(move || Frames(frame.load(Ordering::SeqCst))),
            nodes: Arc::new(Nodes::new(Arc::clone(&inbox))),
            reload: Arc::clone(&reload),
            teacher: None,
        };
        let network = network::start(runtime.handle(), setup);
        let (mix, changes) = (Arc::new(Mutex::new(BTreeMap::new())), Arc::new(Mutex::new(Vec::new())));
        let stop = Arc::new(AtomicBool::new(false));
        let thread = DeskThread {
            desk,
            inbox: Arc::clone(&inbox),
            answers: network.answers(),
            now: Arc::clone(&now),
            mix: Arc::clone(&mix),
            changes: Arc::clone(&changes),
            stop: Arc::clone(&stop),
        };
        let thread = Some(std::thread::spawn(move || thread.run()));
        Self { network, now, meters, mix, changes, table, reload, inbox, stop, thread, runtime }
    }

    fn at(&self) -> SocketAddr {
        self.network.local_addr().expect("bound")
    }

    fn client(&self) -> Client {
        Client::new("127.0.0.1".parse().expect("an address"), SocketAddr::new([127, 0, 0, 1].into(), self.at().port()))
    }

    fn value(&self, dotted: &str) -> Option<Value> {
        self.mix.lock().expect("sound").get(&address(dotted)).cloned()
    }

    fn measure(&self, frame: MeterFrame) {
        self.meters.lock().expect("sound").push(frame);
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
        self.inbox.nudge();
        let done = self.thread.take().map(JoinHandle::join);
        assert!(std::thread::panicking() || done.is_some_and(|done| done.is_ok()), "the desk's thread panicked");
    }
}

/// What the daemon's desk thread does with the network's lane, without an engine.
struct DeskThread {
    desk: Desk,
    inbox: Arc<Inbox>,
    answers: Answers,
    now: Arc<AtomicU64>,
    mix: Arc<Mutex<BTreeMap<Address, Value>>>,
    changes: Arc<Mutex<Vec<(Frames, Event)>>>,
    stop: Arc<AtomicBool>,
}

impl DeskThread {
    fn run(mut self) {
        let mut waiting: Vec<Item> = Vec::new();
        while !self.stop.load(Ordering::SeqCst) {
            self.inbox.take(Duration::from_millis(5), &mut waiting);
            let now = Frames(self.now.load(Ordering::SeqCst));
            let (ready, later) = waiting.into_iter().partition(|item| item.due <= now);
            waiting = later;
            for item in ready {
                self.item(now, item);
            }
            *self.mix.lock().expect("sound") = self.desk.mix().map(|(a, v)| (a.clone(), v.clone())).collect();
        }
    }

    fn item(&mut self, now: Frames, item: Item) {
        let event = match item.ask {
            Ask::Event(event) | Ask::Standing(event) => event,
            Ask::Values(pattern) => {
                for address in self.fitting(&pattern) {
                    if let Some(value) = self.desk.value(&address) {
                        self.say(item.origin, network::answer(&address, &value));
                    }
                }
                return;
            }
            Ask::Install { .. } | Ask::Note(_) | Ask::Question(_) | Ask::Stranger(_) => return,
            Ask::Pattern { values, may_open_microphones } => {
                let fits = |(pattern, value): (String, Value)| {
                    self.fitting(&pattern).into_iter().map(move |address| (address, value.clone()))
                };
                let values = values.into_iter().flat_map(fits).collect();
                Event::SetAll { values, by: By::Message { may_open_microphones } }
            }
        };
        self.changes.lock().expect("sound").push((item.due, event.clone()));
        let effects = self.desk.handle(now, event);
        for why in effects.refused {
            self.say(item.origin, network::refused(&why.what, &why.why));
        }
        for Feedback { control, travel } in effects.feedback {
            let control = &self.desk.panel().controls[control.0];
            if let Some(message) = encode_osc(control, travel) {
                self.answers.send(To::ControlPort(PortIndex(0)), message);
            }
        }
        while self.desk.take().is_some() {}
    }

    fn fitting(&self, pattern: &str) -> Vec<Address> {
        let pattern = Pattern::parse(pattern).expect("the network lets only patterns through");
        self.desk.addresses().into_iter().filter(|address| pattern.matches(&address.to_osc())).collect()
    }

    fn say(&self, to: Origin, message: Message) {
        if let Origin::Osc(to) = to {
            self.answers.send(To::Sender(to), message);
        }
    }
}

// ---- a client ----

struct Client {
    socket: UdpSocket,
    to: SocketAddr,
}

fn message(address: &str, arguments: &[Argument]) -> Message {
    Message { address: address.to_owned(), arguments: arguments.to_vec() }
}

fn text(text: &str) -> Argument {
    Argument::Text(text.to_owned())
}

fn float(argument: &Argument) -> f32 {
    match argument {
        Argument::Float(number) => *number,
        other => panic!("{other:?} is no float"),
    }
}

fn int(argument: &Argument) -> i32 {
    match argument {
        Argument::Int(number) => *number,
        other => panic!("{other:?} is no int"),
    }
}

impl Client {
    fn new(from: IpAddr, to: SocketAddr) -> Self {
        let socket = UdpSocket::bind((from, 0)).expect("a socket");
        // Only datagrams from where this one writes to are let in.
        socket.connect(to).expect("reachable");
        socket.set_read_timeout(Some(Duration::from_secs(30))).expect("set");
        Self { socket, to }
    }

    fn bytes(&self, bytes: &[u8]) {
        assert_eq!(self.socket.send(bytes).expect("sent"), bytes.len(), "to {}", self.to);
    }

    fn say(&self, address: &str, arguments: &[Argument]) {
        self.bytes(&osc::encode(&message(address, arguments)));
    }

    fn bundle(&self, time: TimeTag, messages: &[Message]) {
        self.bytes(&osc::encode_bundle(time, messages));
    }

    /// The next message, which is in a datagram that is not too long.
    fn hear(&self) -> Message {
        let mut bytes = [0; 65_536];
        let length = self.socket.recv(&mut bytes).expect("an answer within 30 s");
        assert!(length <= DATAGRAM_BYTES_MAX, "{length} bytes");
        let mut groups = osc::decode(&bytes[..length]).expect("sound OSC");
        groups.remove(0).messages.remove(0)
    }

    /// The next message that has this address.
    fn hear_only(&self, address: &str) -> Vec<Argument> {
        loop {
            let message = self.hear();
            if message.address == address {
                return message.arguments;
            }
        }
    }

    fn is_answered(&self, path: &str, value: &Argument) {
        assert_eq!(self.hear(), message("/answer", &[text(path), value.clone()]));
    }

    fn is_refused(&self, path: &str, reason: &str) {
        let heard = self.hear();
        assert_eq!((&*heard.address, &heard.arguments[0]), ("/refused", &text(path)), "{heard:?}");
        let Argument::Text(why) = &heard.arguments[1] else { panic!("{heard:?}") };
        assert!(why.contains(reason), "{why}");
    }
}

/// An address of this machine that is not loopback; says so and skips when there is none.
fn interface() -> Option<IpAddr> {
    // Documentation address of RFC 5737; connecting a UDP socket sends nothing.
    let socket = UdpSocket::bind("0.0.0.0:0").ok()?;
    let found = socket.connect("203.0.113.1:9").and_then(|()| socket.local_addr()).map(|at| at.ip());
    let found = found.ok().filter(|at| !at.is_loopback() && !at.is_unspecified());
    if found.is_none() {
        println!("skipped: this machine has no interface but loopback");
    }
    found
}

// ---- values ----

#[test]
fn every_parameter_is_set_and_asked_for_by_its_address() {
    let daemon = Daemon::start(installation(3));
    let client = daemon.client();
    client.say("/channel/c1/fader", &[Argument::Float(-6.0)]);
    client.say("/channel/c1/fader", &[]);
    client.is_answered("/channel/c1/fader", &Argument::Float(-6.0));
    client.say("/channel/c1/fader", &[text("off")]);
    client.say("/ask", &[text("/channel/c1/fader")]);
    client.is_answered("/channel/c1/fader", &text("off"));
    client.say("/channel/mic/switch", &[Argument::Bool(true)]);
    client.say("/ask", &[text("/channel/*/switch")]);
    for (channel, word) in [("c1", "closed"), ("c2", "closed"), ("mic", "open")] {
        client.is_answered(&format!("/channel/{channel}/switch"), &text(word));
    }
    client.say("/channel/{c1,c2}/fader", &[Argument::Int(-12)]);
    client.say("/ask", &[text("/channel/c?/fader")]);
    client.is_answered("/channel/c1/fader", &Argument::Float(-12.0));
    client.is_answered("/channel/c2/fader", &Argument::Float(-12.0));
}

#[test]
fn what_cannot_be_done_is_answered_with_what_can() {
    let daemon = Daemon::start(installation(2));
    let client = daemon.client();
    client.say("/channel/c1/fadr", &[Argument::Float(0.0)]);
    client.is_refused("/channel/c1/fadr", "the nearest is /channel/c1/fader");
    client.say("/channel/c1/fader", &[text("loud")]);
    client.is_refused("/channel/c1/fader", "-90.0 to +10.0 dB");
    client.say("/channel/c1/fader", &[Argument::Float(10.5)]);
    client.is_refused("/channel/c1/fader", "-90.0 to +10.0 dB");
    client.say("/channel/c11/fader", &[Argument::Float(0.0)]);
    client.is_refused("/channel/c11/fader", "the nearest is \"c1\"");
    client.bytes(b"not OSC at all. ");
    client.is_refused("/", "address");
    // What another desk would say is not answered.
    client.say("/refused", &[text("/"), text("why")]);
    client.say("/channel/c1/fader", &[]);
    client.is_answered("/channel/c1/fader", &text("off"));
    let counters = daemon.network.counters();
    assert_eq!((counters.not_understood, counters.said), (2, 1));
    assert_eq!(counters.malformed[Refusal::Address as usize], 1);
}

#[test]
fn a_longest_address_and_reason_fit_one_datagram() {
    let address = format!("/{}", "a".repeat(254));
    let packet = osc::encode(&network::refused(&address, &"\u{e9}".repeat(2_000)));
    assert!(packet.len() <= DATAGRAM_BYTES_MAX && osc::decode(&packet).is_ok(), "{}", packet.len());
}

#[test]
fn reading_the_files_again_is_asked_for_without_naming_one() {
    let daemon = Daemon::start(installation(1));
    let client = daemon.client();
    client.say("/profile/reload", &[text("/etc/passwd")]);
    client.is_refused("/profile/reload", "takes nothing");
    client.say("/profile/reload", &[]);
    let told = async { tokio::time::timeout(Duration::from_secs(30), daemon.reload.notified()).await };
    assert!(daemon.runtime.block_on(told).is_ok());
    daemon.network.tell_revision(3, "nothing changed");
    assert_eq!(client.hear_only("/profile/revision"), [Argument::Int(3), text("nothing changed")]);
}

#[test]
fn a_message_that_is_refused_for_its_value_is_answered_under_its_address() {
    let daemon = Daemon::start(installation(1));
    let client = daemon.client();
    client.say("/channel/a/fader", &[Argument::Float(f32::NAN)]);
    client.is_refused("/channel/a/fader", "not finite");
    client.bytes(b"/\xff\0\0,f\0\0\x7f\xc0\0\0");
    client.is_refused("/", "");
}

// ---- bundles and time ----

#[test]
fn a_bundle_is_one_change_and_a_late_one_takes_effect_at_once() {
    let daemon = Daemon::start(installation(3));
    let client = daemon.client();
    let pair = |level: f32| {
        [message("/channel/c1/fader", &[Argument::Float(level)]), message("/channel/c2/pan", &[Argument::Float(0.5)])]
    };
    let late = TimeTag(clock::civil_ntp().0 - (3600 << 32));
    for (level, time) in [(-1.0, TimeTag::IMMEDIATE), (-2.0, late), (-3.0, TimeTag(0))] {
        client.bundle(time, &pair(level));
        client.say("/channel/c1/fader", &[]);
        client.is_answered("/channel/c1/fader", &Argument::Float(level));
    }
    client.bundle(TimeTag::IMMEDIATE, &[message("/channel/c?/switch", &[text("open")]), pair(-4.0)[0].clone()]);
    client.say("/channel/c1/fader", &[]);
    client.is_answered("/channel/c1/fader", &Argument::Float(-4.0));
    let changes = daemon.changes.lock().expect("sound");
    let sizes: Vec<usize> = changes
        .iter()
        .map(|(_, event)| match event {
            Event::SetAll { values, .. } => values.len(),
            other => panic!("{other:?}"),
        })
        .collect();
    assert_eq!(sizes, [2, 2, 2, 3]);
}

#[test]
fn a_future_bundle_is_held_within_a_bound() {
    let daemon = Daemon::start(installation(3));
    let client = daemon.client();
    let fader = [message("/channel/c1/fader", &[Argument::Float(-7.0)])];
    let ahead = |seconds: u64| TimeTag(clock::civil_ntp().0 + (seconds << 32));
    client.bundle(ahead(8), &fader);
    client.say("/channel/c1/fader", &[]);
    client.is_answered("/channel/c1/fader", &text("off"));
    // What is held holds up nothing, and time is the engine's: 8 s are 384,000 frames at most.
    daemon.now.store(1_000 + 8 * 48_000, Ordering::SeqCst);
    wait_until("the fader moves", || daemon.value("channel.c1.fader") == Some(Value::Number(-7.0)));
    let (due, _) = daemon.changes.lock().expect("sound")[0].clone();
    println!("8 s ahead was due {} frames later", due.0 - 1_000);
    assert!(due > Frames(1_000) && due <= Frames(1_000 + 8 * 48_000), "{due:?}");

    client.bundle(ahead(60), &fader);
    client.is_refused("/channel/c1/fader", "at most 10 s");
    for _ in 0..HELD_MAX {
        client.bundle(ahead(9), &fader);
    }
    client.bundle(ahead(9), &fader);
    client.is_refused("/channel/c1/fader", "256 messages are held");
    let counters = daemon.network.counters();
    assert_eq!((counters.too_far_ahead, counters.held_full), (1, 1));
    // When their time has come there is room again.
    daemon.now.fetch_add(10 * 48_000, Ordering::SeqCst);
    client.bundle(ahead(9), &fader);
    client.say("/channel/c2/fader", &[]);
    client.is_answered("/channel/c2/fader", &text("off"));
    assert_eq!(daemon.network.counters().held_full, 1);
}

// ---- roles ----

#[test]
fn a_remote_address_may_do_what_its_role_says_and_opens_microphones_on_wired_control_only() {
    let Some(here) = interface() else { return };
    let mut files = installation(2);
    files.rig.network.listen = "0.0.0.0:0".parse().expect("an address");
    files.rig.network.remotes.insert(here, Role::See);
    let daemon = Daemon::start(files.clone());
    let client = Client::new(here, SocketAddr::new(here, daemon.at().port()));
    client.say("/ask", &[text("/channel/c1/fader")]);
    client.is_answered("/channel/c1/fader", &text("off"));
    client.say("/channel/c1/fader", &[Argument::Float(0.0)]);
    client.is_refused("/channel/c1/fader", &format!("[network.remote.\"{here}\"] role = \"operate\""));
    client.say("/profile/reload", &[]);
    client.is_refused("/profile/reload", "role = \"administer\"");

    files.rig.network.remotes.insert(here, Role::Operate);
    daemon.network.update(&files.rig, &files.panel);
    client.say("/channel/c1/fader", &[Argument::Float(0.0)]);
    client.say("/channel/c1/fader", &[]);
    client.is_answered("/channel/c1/fader", &Argument::Float(0.0));
    for open in [message("/channel/mic/switch", &[text("open")]), message("/channel/m*/switch", &[text("open")])] {
        client.bytes(&osc::encode(&open));
        client.is_refused("/channel/mic/switch", "only from loopback or wired control");
    }
    assert_eq!(daemon.network.counters().beyond_role, [2, 0, 0]);

    files.rig.network.wired_control = vec![here];
    daemon.network.update(&files.rig, &files.panel);
    assert_eq!(daemon.network.local_addresses().len(), 2, "{:?}", daemon.network.missing());
    client.say("/channel/mic/switch", &[text("open")]);
    client.say("/channel/mic/switch", &[]);
    client.is_answered("/channel/mic/switch", &text("open"));
    // The wildcard and its address share the port, and nobody who asks for a share gets one.
    {
        let _in_runtime = daemon.runtime.enter();
        assert!(udp::bind(SocketAddr::new(here, daemon.at().port()), true).is_err());
    }
    // And whoever writes to the wildcard is answered from where they wrote to: `hear` would not let others in.
    let local = daemon.client();
    local.say("/channel/c1/fader", &[]);
    local.is_answered("/channel/c1/fader", &Argument::Float(0.0));
}

#[test]
fn a_sender_without_a_role_is_shown_and_never_answered() {
    let Some(here) = interface() else { return };
    let mut files = installation(2);
    files.rig.network.listen = SocketAddr::new(here, 0);
    let daemon = Daemon::start(files.clone());
    assert_eq!(daemon.network.local_addresses().len(), 2, "loopback is always listened on");
    let client = Client::new(here, daemon.at());
    for _ in 0..10 {
        client.say("/channel/c1/fader", &[Argument::Float(0.0)]);
        client.say("/ask", &[text("/*/*/*")]);
        client.bytes(b"rubbish");
    }
    wait_until("all are counted", || daemon.network.counters().without_role == 30);
    let (shown, others) = daemon.network.refused_senders();
    assert_eq!((shown.len(), shown[0].address, shown[0].count, others), (1, here, 30, 0));
    assert_eq!(daemon.network.counters().sent, 0);
    assert!(daemon.changes.lock().expect("sound").is_empty());
    files.rig.network.remotes.insert(here, Role::See);
    daemon.network.update(&files.rig, &files.panel);
    client.say("/channel/c1/fader", &[]);
    client.is_answered("/channel/c1/fader", &text("off"));
}

#[test]
fn a_panel_moves_its_controls_and_is_told_where_they_stand() {
    let daemon = Daemon::start(with_panel(installation(2), [127, 0, 0, 1].into()));
    let panel = daemon.client();
    // Travel 0.76 is 0 dB by the house fader law.
    panel.say("/panel/f1", &[Argument::Float(0.76)]);
    panel.say("/channel/c1/fader", &[]);
    let heard = panel.hear();
    assert_eq!(heard.arguments[0], text("/channel/c1/fader"), "{heard:?}");
    assert!(float(&heard.arguments[1]).abs() < 0.01, "{heard:?}");
    let other = daemon.client();
    other.say("/channel/c1/fader", &[Argument::Float(-10.0)]);
    let told = panel.hear();
    assert_eq!(told.address, "/panel/f1");
    assert!((float(&told.arguments[0]) - 0.62).abs() < 0.001, "{told:?}");
}

#[test]
fn a_panel_that_is_not_on_wired_control_is_refused() {
    let Some(here) = interface() else { return };
    let mut files = with_panel(installation(2), here);
    files.rig.network.listen = SocketAddr::new(here, 0);
    let daemon = Daemon::start(files.clone());
    let panel = Client::new(here, daemon.at());
    panel.say("/panel/f1", &[Argument::Float(0.76)]);
    wait_until("it is counted", || daemon.network.counters().not_wired == 1);
    assert_eq!((daemon.network.refused_senders().0.len(), daemon.network.counters().sent), (1, 0));
    files.rig.network.wired_control = vec![here];
    daemon.network.update(&files.rig, &files.panel);
    panel.say("/panel/f1", &[Argument::Float(0.76)]);
    wait_until("the fader moves", || daemon.value("channel.c1.fader").is_some_and(|value| value != Value::Off));
    // It has no role, so nothing but its controls counts.
    panel.say("/channel/c1/fader", &[Argument::Float(-20.0)]);
    wait_until("it is counted", || daemon.network.counters().without_role == 1);
    assert_eq!(daemon.changes.lock().expect("sound").len(), 1);
}

#[test]
fn a_port_that_is_taken_is_bound_when_it_is_free() {
    let taken = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    let mut files = installation(2);
    files.rig.network.listen = taken.local_addr().expect("bound");
    let daemon = Daemon::start(files);
    assert_eq!(daemon.network.local_addr(), None);
    println!("shown: {:?}", daemon.network.missing());
    assert_eq!(daemon.network.missing().len(), 1);
    drop(taken);
    wait_until("the port is bound", || daemon.network.local_addr().is_some());
    let client = daemon.client();
    client.say("/channel/c1/fader", &[]);
    client.is_answered("/channel/c1/fader", &text("off"));
}

#[test]
fn a_wildcard_of_ipv6_serves_both_families() {
    let mut files = installation(2);
    files.rig.network.listen = "[::]:0".parse().expect("an address");
    let daemon = Daemon::start(files);
    if daemon.network.local_addr().is_none() {
        println!("skipped: {:?}", daemon.network.missing());
        return;
    }
    let six = Client::new(
        "::1".parse().expect("an address"),
        SocketAddr::new("::1".parse().expect("an address"), daemon.at().port()),
    );
    for client in [daemon.client(), six] {
        client.say("/channel/c1/fader", &[]);
        client.is_answered("/channel/c1/fader", &text("off"));
    }
}

// ---- hostile traffic ----

struct Random(u64);

impl Random {
    fn below(&mut self, limit: usize) -> usize {
        // Knuth's MMIX generator, its upper bits.
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % limit
    }

    fn bytes(&mut self, count: usize) -> Vec<u8> {
        (0..count).map(|_| self.below(256) as u8).collect()
    }
}

fn bundle(time: u64, elements: &[&[u8]]) -> Vec<u8> {
    let mut bytes = b"#bundle\0".to_vec();
    bytes.extend(time.to_be_bytes());
    for element in elements {
        bytes.extend((element.len() as u32).to_be_bytes());
        bytes.extend_from_slice(element);
    }
    bytes
}

/// A packet with this fault, by the syntax of the OpenSoundControl Specification 1.0 and our own bounds.
fn faulty(fault: Refusal, random: &mut Random) -> Vec<u8> {
    let a = b"/a\0\0".as_slice();
    let with = |tags: &[u8], data: &[u8]| [a, tags, data].concat();
    let junk = random.below(255) as u8 + 1;
    match fault {
        Refusal::Empty => vec![],
        Refusal::TooLong => vec![b'/'; 4_097 + random.below(10_000)],
        Refusal::Length => {
            let length = 5 + 4 * random.below(20);
            random.bytes(length)
        }
        Refusal::Depth => (0..5 + random.below(20)).fold(a.to_vec(), |inside, _| bundle(1, &[&inside])),
        Refusal::Elements => bundle(1, &vec![a; 256 + random.below(100)]),
        Refusal::ElementSize => [bundle(1, &[a]), vec![0, 0, 1, junk & 0xFC], a.to_vec()].concat(),
        Refusal::TimeOrder => bundle(9, &[&bundle(2 + random.below(7) as u64, &[a])]),
        Refusal::Address => [b"/a".as_slice(), &[junk % 31 + 1, 0]].concat(),
        Refusal::Pattern => b"/[a\0".to_vec(),
        Refusal::Padding => vec![b'/', b'a', 0, junk],
        Refusal::TypeTags => with(b",fff", &[]),
        Refusal::UnknownTag => with(b",z\0\0", &[0; 4]),
        Refusal::Array => with(b",[i]\0\0\0\0", &[0; 4]),
        Refusal::Arguments => with(&[b",".as_slice(), &[b'T'; ARGUMENTS_MAX + 1], &[0; 2]].concat(), &[]),
        Refusal::DataShort => with(b",f\0\0", &[]),
        Refusal::DataLeft => with(b",i\0\0", &vec![junk; 8 + 4 * random.below(9)]),
        Refusal::Text => with(b",s\0\0", &[0x80 | junk, 0, 0, 0]),
        Refusal::Number => with(b",f\0\0", &(f32::INFINITY.to_bits() | u32::from(junk)).to_be_bytes()),
    }
}

/// Traffic such as clients send, about channels that do not exist.
fn traffic() -> Vec<Vec<u8>> {
    let messages = [
        message("/channel/nobody/fader", &[Argument::Float(-6.0)]),
        message("/channel/nobody/switch", &[text("open")]),
        message("/channel/{nobody,no-one}/pan", &[Argument::Float(0.25)]),
        message("/channel/nobody/source", &[text("line")]),
        message("/channel/nobody/assign/programme", &[Argument::Bool(true)]),
        message("/ask", &[text("/channel/nobody/*")]),
        message("/follow/meters", &[text("/meter/nobody/*/peak"), Argument::Float(1.0), Argument::Int(1)]),
        message("/follow/end", &[Argument::Int(-5)]),
        message("/panel/f1", &[Argument::Blob(vec![1, 2, 3])]),
    ];
    let mut all: Vec<Vec<u8>> = messages.iter().map(osc::encode).collect();
    all.push(osc::encode_bundle(TimeTag::IMMEDIATE, &messages));
    all.push(osc::encode_bundle(TimeTag(clock::civil_ntp().0 + (2 << 32)), &messages[..4]));
    all
}

#[test]
fn a_hundred_thousand_hostile_datagrams_change_nothing_and_are_counted_by_reason() {
    let daemon = Daemon::start(installation(4));
    let client = daemon.client();
    client.say("/channel/c1/fader", &[Argument::Float(-6.0)]);
    client.say("/channel/c1/fader", &[]);
    client.is_answered("/channel/c1/fader", &Argument::Float(-6.0));
    wait_until("the mix is seen", || daemon.value("channel.c1.fader") == Some(Value::Number(-6.0)));
    let before = daemon.mix.lock().expect("sound").clone();

    let mut random = Random(20_261);
    let traffic = traffic();
    let mut expected = [0_u64; Refusal::ALL.len()];
    let hostile = Client::new([127, 0, 0, 1].into(), daemon.at());
    let first = daemon.network.counters().received;
    for n in 0..100_000_u64 {
        let packet = match n % 4 {
            0 => faulty(Refusal::ALL[random.below(Refusal::ALL.len())], &mut random),
            1 => {
                let length = 4 * random.below(64);
                random.bytes(length)
            }
            _ => {
                let mut packet = traffic[random.below(traffic.len())].clone();
                for _ in 0..=random.below(3) {
                    let place = random.below(packet.len());
                    packet[place] = random.below(256) as u8;
                }
                packet.truncate(packet.len() - random.below(2) * 4);
                packet
            }
        };
        if let Err(refusal) = osc::decode(&packet) {
            expected[refusal as usize] += 1;
        }
        hostile.bytes(&packet);
        if n % 32 == 31 {
            // The kernel drops what it cannot queue, and this counts every single one.
            wait_until("they are received", || daemon.network.counters().received == first + n + 1);
        }
    }
    let counters = daemon.network.counters();
    for (reason, (count, expected)) in Refusal::ALL.iter().zip(counters.malformed.iter().zip(&expected)) {
        println!("{:>14} {count}", reason.word());
        assert_eq!(count, expected, "{}", reason.word());
        assert!(*count >= 100, "{} was hit {count} times", reason.word());
    }
    println!("not understood {}, sent {}, dropped {}", counters.not_understood, counters.sent, counters.sends_dropped);
    daemon.now.fetch_add(20 * 48_000, Ordering::SeqCst);
    client.say("/channel/c1/fader", &[]);
    client.is_answered("/channel/c1/fader", &Argument::Float(-6.0));
    assert!(*daemon.mix.lock().expect("sound") == before, "the mix is untouched");
    assert!(daemon.network.followers() <= 64);
}

// ---- meters ----

/// 10 ms in which every meter peaked at this amplitude and clipped so often.
fn measured(plan: u64, peak: f32, clips: u32) -> MeterFrame {
    let mut frame = MeterFrame { frames: 480, plan, ..MeterFrame::nothing() };
    for group in &mut frame.groups {
        group.input_peak.fill(peak);
        group.peak.fill(peak);
        group.input_energy.fill(480.0 * f64::from(peak * peak) / 2.0);
        group.energy.fill(480.0 * f64::from(peak * peak) / 2.0);
        group.clips.fill(clips);
    }
    frame
}

/// What a client knows of the meters it follows.
#[derive(Default)]
struct Screen {
    tables: BTreeMap<i32, BTreeMap<usize, String>>,
    /// Revision, sequence, place, value.
    values: Vec<(i32, i32, usize, f32)>,
    datagrams: usize,
}

impl Screen {
    fn take(&mut self, message: &Message) {
        let arguments = &message.arguments;
        match &*message.address {
            "/follow/table" => {
                let table = self.tables.entry(int(&arguments[0])).or_default();
                for (place, name) in arguments[2..].iter().enumerate() {
                    let Argument::Text(name) = name else { panic!("{name:?}") };
                    table.insert(int(&arguments[1]) as usize + place, name.clone());
                }
            }
            "/follow/values" => {
                let [revision, sequence, first] = [0, 1, 2].map(|at| int(&arguments[at]));
                for (place, value) in arguments[3..].iter().enumerate() {
                    self.values.push((revision, sequence, first as usize + place, float(value)));
                }
            }
            other => panic!("{other} in between"),
        }
        self.datagrams += 1;
    }

    /// All values of the meters whose name ends so.
    fn of(&self, end: &str) -> Vec<f32> {
        let named = |revision: &i32, place: &usize| self.tables[revision][place].ends_with(end);
        self.values.iter().filter(|(revision, _, place, _)| named(revision, place)).map(|value| value.3).collect()
    }
}

#[test]
fn two_followers_of_256_channels_at_different_rates_both_see_every_peak_and_clip() {
    let files = installation(256);
    let mut names = Desk::new(files.clone(), RATE).meter_table();
    names.retain(|name| ["/peak", "/level", "/clips"].iter().any(|end| name.path.ends_with(end)));
    let daemon = Daemon::start(files);
    let follow = |rate: f32| {
        let client = daemon.client();
        client.say(
            "/follow/meters",
            &[text("/meter/*/*/*/{peak,level,clips}"), Argument::Float(rate), Argument::Int(60)],
        );
        let granted = client.hear_only("/follow/granted");
        assert_eq!(granted[1..], [Argument::Float(rate), Argument::Int(60)]);
        (client, Screen::default())
    };
    let mut followers = [follow(50.0), follow(2.0)];
    let wanted = names.len();
    let sets = |screen: &Screen| screen.values.len() / wanted;
    // Quiet, then one loud and two clipping frames, then quiet again.
    let mut loud = vec![measured(0, 0.25, 3), measured(0, 0.5, 0), measured(0, 0.125, 4)];
    for round in 0_u32.. {
        for (client, screen) in &mut followers {
            client.socket.set_read_timeout(Some(Duration::from_millis(2))).expect("set");
            let mut bytes = [0; 65_536];
            while let Ok(length) = client.socket.recv(&mut bytes) {
                assert!(length <= DATAGRAM_BYTES_MAX, "{length} bytes");
                let groups = osc::decode(&bytes[..length]).expect("sound");
                groups[0].messages.iter().for_each(|message| screen.take(message));
            }
        }
        if followers.iter().all(|(_, screen)| sets(screen) >= 1) && !loud.is_empty() {
            loud.drain(..).for_each(|frame| daemon.measure(frame));
            followers.iter_mut().for_each(|(_, screen)| screen.values.clear());
        } else if loud.is_empty() && followers.iter().all(|(_, screen)| sets(screen) >= 2) {
            break;
        }
        daemon.measure(measured(0, 0.001, 0));
        assert!(round < 6_000, "meters come");
    }
    for (rate, (_, screen)) in [50, 2].into_iter().zip(&followers) {
        println!("{rate} Hz: {} sets of {wanted} values, {} datagrams", sets(screen), screen.datagrams);
        assert_eq!(screen.tables.len(), 1);
        let table: Vec<&String> = screen.tables.values().flat_map(BTreeMap::values).collect();
        assert!(table.into_iter().eq(names.iter().map(|name| &name.path)), "names in table order, none missing");
        // 20 lg 0.5 = -6.0206 dB; all else was quieter. Each meter shows it once and once only.
        let loud = screen.of("/peak").into_iter().filter(|peak| (peak + 6.0206).abs() < 0.001).count();
        assert_eq!(loud, names.iter().filter(|name| name.path.ends_with("/peak")).count());
        // A sum over all sets, whichever set they fell into.
        let clips: f32 = screen.of("/clips").iter().sum();
        assert!((clips - 7.0 * 256.0).abs() < 0.1, "{clips}");
    }
}

#[test]
fn leases_are_brought_within_bounds_renewed_under_their_number_and_end() {
    let daemon = Daemon::start(installation(2));
    let client = daemon.client();
    let granted = |arguments: &[Argument]| {
        client.say("/follow/meters", arguments);
        let granted = client.hear_only("/follow/granted");
        (int(&granted[0]), float(&granted[1]), int(&granted[2]))
    };
    let (first, rate, lease) = granted(&[text("/meter/bus/*/*/peak"), Argument::Float(1e9), Argument::Float(1e9)]);
    assert_eq!((rate, lease), (50.0, 3600));
    let (other, rate, lease) = granted(&[text("/meter/channel/*/input/clips")]);
    assert_eq!((rate, lease), (10.0, 60));
    assert_ne!(first, other);
    let again = granted(&[text("/meter/bus/*/*/peak"), Argument::Int(-1), Argument::Int(0)]);
    assert_eq!(again, (first, 1.0, 1));
    client.say("/follow/end", &[Argument::Int(other)]);
    wait_until("the second ends when told and the first by itself", || daemon.network.followers() == 0);
    client.say("/follow/table", &[]);
    let heard = client.hear_only("/refused");
    assert_eq!(heard[0], text("/follow/table"));
    client.say("/follow/end", &[Argument::Int(first)]);
    assert_eq!(client.hear_only("/refused")[0], text("/follow/end"));
    // What fits nothing would never be heard of again.
    client.say("/follow/meters", &[text("/meter/bus/programme/left/peek")]);
    let refused = client.hear_only("/refused");
    let Argument::Text(why) = &refused[1] else { panic!("{refused:?}") };
    assert!(refused[0] == text("/follow/meters") && why.contains("/meter/bus/programme/left/peak"), "{why}");
    assert_eq!(daemon.network.followers(), 0);
}

#[test]
fn a_follower_that_is_gone_or_does_not_read_delays_nobody() {
    let daemon = Daemon::start(installation(200));
    let follow = [text("/meter/*/*/*/*"), Argument::Float(50.0), Argument::Int(60)];
    for _ in 0..20 {
        let gone = daemon.client();
        gone.say("/follow/meters", &follow);
        gone.hear_only("/follow/granted");
    }
    let deaf: Vec<Client> = (0..20).map(|_| daemon.client()).collect();
    for client in &deaf {
        client.say("/follow/meters", &follow);
        client.hear_only("/follow/granted");
    }
    let client = daemon.client();
    client.say("/follow/meters", &[text("/meter/bus/programme/left/peak"), Argument::Float(50.0), Argument::Int(60)]);
    wait_until("all follow", || daemon.network.followers() == 41);
    let mut next = 0;
    while next < 50 {
        daemon.measure(measured(0, 0.5, 0));
        client.socket.set_read_timeout(Some(Duration::from_millis(10))).expect("set");
        let mut bytes = [0; 2_048];
        let Ok(length) = client.socket.recv(&mut bytes) else { continue };
        let message = osc::decode(&bytes[..length]).expect("sound").remove(0).messages.remove(0);
        if message.address == "/follow/values" {
            assert_eq!(int(&message.arguments[1]), next, "none is missing");
            next += 1;
        }
    }
    println!("{:?}", daemon.network.counters());
}

#[test]
fn a_client_that_lost_its_table_asks_again_and_a_new_table_has_a_new_revision() {
    let files = installation(3);
    let daemon = Daemon::start(files.clone());
    let client = daemon.client();
    client.say("/follow/meters", &[text("/meter/channel/*/input/peak"), Argument::Float(50.0), Argument::Int(60)]);
    let names = |names: &[&str]| -> Vec<Argument> {
        names.iter().map(|name| text(&format!("/meter/channel/{name}/input/peak"))).collect()
    };
    let table = client.hear_only("/follow/table");
    assert_eq!(table[2..], names(&["c1", "c2", "mic"]));
    client.say("/follow/table", &[]);
    assert_eq!(client.hear_only("/follow/table"), table);
    let mut fewer = files;
    fewer.profile.channels.remove(0);
    let next = MeterTable { plan: 9, names: Desk::new(fewer, RATE).meter_table(), ..MeterTable::default() };
    daemon.table.send(Arc::new(next)).expect("followed");
    daemon.measure(measured(9, 0.5, 0));
    let changed = client.hear_only("/follow/table");
    assert_ne!(changed[0], table[0]);
    assert_eq!(changed[2..], names(&["c2", "mic"]));
    assert_eq!(client.hear_only("/follow/values")[0], changed[0]);
}

/// A hub by itself, with the time in the test's hand.
struct Bench {
    hub: Hub,
    sent: Vec<Message>,
}

impl Bench {
    fn poll(&mut self, ms: u64, goes: bool) {
        self.hub.poll(Duration::from_millis(ms), &mut |_, bytes| {
            if goes {
                self.sent.push(osc::decode(bytes).expect("sound").remove(0).messages.remove(0));
            }
            goes
        });
    }

    fn screen(&mut self) -> Screen {
        let mut screen = Screen::default();
        self.sent.drain(..).for_each(|message| screen.take(&message));
        screen
    }
}

#[test]
fn what_was_not_seen_outlives_a_full_socket_and_a_change_of_table() {
    let files = installation(3);
    let table = |plan, files: Installation| {
        Arc::new(MeterTable { plan, names: Desk::new(files, RATE).meter_table(), ..MeterTable::default() })
    };
    let mut bench = Bench { hub: Hub::new(table(1, files.clone())), sent: Vec::new() };
    let to = "127.0.0.1:9".parse().expect("an address");
    bench.hub.follow(Duration::ZERO, to, "/meter/channel/*/input/peak", 10.0, 60.0).expect("granted");
    bench.hub.read(&measured(1, 0.5, 0));
    bench.poll(0, false);
    bench.hub.read(&measured(1, 0.1, 0));
    bench.poll(100, true);
    let screen = bench.screen();
    assert_eq!(screen.tables.len(), 1);
    assert_eq!(screen.values.len(), 3);
    assert!(screen.values.iter().all(|value| (value.3 + 6.0206).abs() < 0.001), "the peak waited for room");

    // The same names again are no news, wherever they are read now.
    bench.hub.change(table(2, files.clone()));
    bench.hub.read(&measured(2, 0.25, 0));
    let mut other = files;
    other.profile.channels.remove(0);
    other.profile.channels.push(Channel { id: id("new"), was: None, label: String::new() });
    other.profile.values.insert(address("channel.new.source"), Value::Word("line".into()));
    bench.hub.change(table(5, other));
    // Still the old plan: the old table is read, and the new one waits.
    bench.hub.read(&measured(4, 0.5, 0));
    bench.hub.read(&measured(5, 0.1, 0));
    bench.poll(200, true);
    let mut after = bench.screen();
    assert_eq!(after.tables.len(), 1);
    let (revision, names) = after.tables.pop_first().expect("one");
    assert!(!screen.tables.contains_key(&revision));
    let shown: BTreeMap<&str, f32> = after.values.iter().map(|value| (&*names[&value.2], value.3)).collect();
    let close = |name: &str, db: f32| (shown[&*format!("/meter/channel/{name}/input/peak")] - db).abs() < 0.001;
    assert_eq!(shown.len(), 3);
    assert!(close("c2", -6.0206) && close("mic", -6.0206) && close("new", -20.0), "{shown:?}");
    // Nothing measured, nothing sent; and what was sent is not sent twice.
    bench.poll(300, true);
    assert_eq!(bench.sent, []);
    bench.hub.read(&measured(5, 0.0, 0));
    bench.poll(310, true);
    let silence: Vec<f32> = bench.sent[0].arguments[3..].iter().map(float).collect();
    assert_eq!((bench.sent.len(), silence), (1, vec![FLOOR_DBFS; 3]));
}

#[test]
fn followers_are_bounded_and_those_of_the_rig_never_end() {
    let mut hub = Hub::new(Arc::default());
    let to = |port: u16| SocketAddr::from(([127, 0, 0, 1], port));
    let standing = |pattern: &str| Follower { address: to(1), pattern: pattern.to_owned(), rate_hz: 100.0 };
    assert_eq!(hub.standing(Duration::ZERO, &[standing("/meter/*"), standing("/meter/[")]), ["/meter/["]);
    for port in 2..=64 {
        hub.follow(Duration::ZERO, to(port), "/meter/*", 10.0, 1.0).expect("granted");
    }
    let full = hub.follow(Duration::ZERO, to(65), "/meter/*", 10.0, 1.0).expect_err("65 are too many");
    assert!(full.contains("64"), "{full}");
    assert!(hub.follow(Duration::ZERO, to(64), "/meter/*", 10.0, 1.0).is_ok(), "a renewal needs no room");
    hub.poll(Duration::from_secs(4_000), &mut |_, _| true);
    assert_eq!(hub.followers(), 1);
    hub.standing(Duration::from_secs(4_000), &[]);
    assert_eq!(hub.followers(), 0);
}

// ---- an independent client ----

/// liblo's own tools send and receive.
#[test]
fn liblo_sets_a_fader_and_shows_the_meters() {
    if !have(&["oscsend", "oscdump"]) {
        return;
    }
    let free = UdpSocket::bind("127.0.0.1:0").and_then(|socket| socket.local_addr()).expect("a port");
    let mut dump = Command::new("timeout")
        .args(["60", "oscdump", "-L", &free.port().to_string()])
        .stdout(Stdio::piped())
        .spawn()
        .expect("oscdump starts");
    let mut files = installation(2);
    let pattern = "/meter/channel/c1/input/*".to_owned();
    files.rig.network.followers = vec![Follower { address: free, pattern, rate_hz: 20.0 }];
    let daemon = Daemon::start(files);
    let url = format!("osc.udp://127.0.0.1:{}/", daemon.at().port());
    let send = |arguments: &[&str]| {
        let done = Command::new("oscsend").arg(&url).args(arguments).status();
        assert!(done.is_ok_and(|status| status.success()), "{arguments:?}");
    };
    send(&["/channel/c1/fader", "f", "-6.5"]);
    wait_until("a float moves the fader", || daemon.value("channel.c1.fader") == Some(Value::Number(-6.5)));
    send(&["/channel/c1/fader", "s", "off"]);
    wait_until("a word moves it", || daemon.value("channel.c1.fader") == Some(Value::Off));
    send(&["/channel/c?/switch", "T"]);
    wait_until("a pattern opens", || daemon.value("channel.c1.switch") == Some(Value::Word("open".into())));
    send(&["/channel/c1/pan", "i", "-1"]);
    wait_until("an int pans", || daemon.value("channel.c1.pan") == Some(Value::Number(-1.0)));

    // The table is sent at the start, when nobody may have listened yet, and every five seconds.
    let lines = BufReader::new(dump.stdout.take().expect("piped")).lines();
    let meters = Arc::clone(&daemon.meters);
    let stop = Arc::new(AtomicBool::new(false));
    let feeder = std::thread::spawn({
        let stop = Arc::clone(&stop);
        move || {
            while !stop.load(Ordering::SeqCst) {
                meters.lock().expect("sound").push(measured(0, 0.5, 1));
                std::thread::sleep(Duration::from_millis(10));
            }
        }
    });
    let (mut table, mut values) = (None, None);
    for line in lines.map_while(Result::ok) {
        if line.contains("/follow/table") {
            table = Some(line);
        } else if line.contains("/follow/values") && values.is_none() {
            values = Some(line);
        }
        if table.is_some() && values.is_some() {
            break;
        }
    }
    stop.store(true, Ordering::SeqCst);
    feeder.join().expect("fed");
    support::signal("TERM", dump.id());
    drop(dump.wait());
    let (table, values) = (table.expect("a table"), values.expect("values"));
    println!("{table}\n{values}");
    let name = |name: &str| format!("\"/meter/channel/c1/input/{name}\"");
    assert!(table.contains(&format!(" iisss 1 0 {} {} {}", name("peak"), name("level"), name("clips"))), "{table}");
    // A sine that peaks at 0.5 has -9.03 dBFS RMS.
    assert!(values.contains(" iiifff 1 ") && values.contains(" 0 -6.02") && values.contains(" -9.03"), "{values}");
}
