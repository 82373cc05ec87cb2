//! The audio ports against real servers: jackd with its dummy driver, and PipeWire.

#![allow(clippy::print_stdout, reason = "tests say what they measured")]

mod support;

use longthrow::engine::wires::Wires;
use longthrow::ports::audio::{self, BlockSink, BlockTime, DeviceNotice, OpenDevice, OpenError};
use longthrow::profile::{Device, Host};
use longthrow::units::SampleRate;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::SeqCst};
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::Duration;
use support::alsa::inside_with_alsa;
use support::jackd::{Catcher, Caught, Feeder, Jackd, ports};
use support::pipewire::PipeWire;
use support::signal::{depth, sample};
use support::{again, have, inside, threads, wait_until};

/// Copies every input to the output of its number, in pieces, and counts.
struct Through {
    piece: Vec<f32>,
    last: Option<u64>,
    seen: Arc<Seen>,
}

#[derive(Default)]
struct Seen {
    blocks: AtomicU64,
    /// The longest time from one block to the next, in ns.
    longest_gap: AtomicU64,
}

impl Through {
    fn make() -> (Box<dyn BlockSink>, Arc<Seen>) {
        let seen = Arc::new(Seen::default());
        (Box::new(Self { piece: vec![0.0; 48], last: None, seen: Arc::clone(&seen) }), seen)
    }
}

impl BlockSink for Through {
    fn block(&mut self, wires: &mut dyn Wires, time: BlockTime) {
        for channel in 0..wires.outputs() {
            for offset in (0..wires.frames()).step_by(self.piece.len()) {
                let length = self.piece.len().min(wires.frames() - offset);
                wires.read(channel, offset, &mut self.piece[..length]);
                wires.write(channel, offset, &self.piece[..length]);
            }
        }
        if let Some(last) = self.last.replace(time.nanos) {
            self.seen.longest_gap.fetch_max(time.nanos - last, SeqCst);
        }
        self.seen.blocks.fetch_add(1, SeqCst);
    }
}

fn jack_device(server: &str, channels: u16) -> Device {
    Device {
        id: "desk".into(),
        host: Host::Jack,
        identity: server.into(),
        period_frames: None,
        inputs: channels,
        outputs: channels,
        link_inputs: Vec::new(),
        link_outputs: Vec::new(),
    }
}

fn linked(server: &str, channels: u16) -> Device {
    let numbered = |name: &str| (1..=channels).map(|n| format!("{name}:{n}")).collect();
    Device { link_inputs: numbered("feeder"), link_outputs: numbered("catcher"), ..jack_device(server, channels) }
}

fn open(device: &Device, rate: Option<SampleRate>) -> (Box<dyn OpenDevice>, Arc<Seen>, Receiver<DeviceNotice>) {
    let (sink, seen) = Through::make();
    let (send, notices) = sync_channel(256);
    (audio::open(device, rate, sink, send).expect("the server runs"), seen, notices)
}

fn await_notice(notices: &Receiver<DeviceNotice>, fits: impl Fn(&DeviceNotice) -> bool) -> DeviceNotice {
    let mut heard = Vec::new();
    loop {
        match notices.recv_timeout(Duration::from_secs(30)) {
            Ok(notice) if fits(&notice) => return notice,
            Ok(notice) => heard.push(notice),
            Err(error) => panic!("{error}; heard instead: {heard:?}"),
        }
    }
}

fn await_links(notices: &Receiver<DeviceNotice>, count: usize) {
    for _ in 0..count {
        await_notice(notices, |notice| matches!(notice, DeviceNotice::Linked(_)));
    }
}

/// Frames of a channel whose sample is not the one that was fed at the same frame of the server.
fn wrong_frames(caught: &Caught, channel: usize) -> usize {
    let wrong = |(frame, heard): &(u32, f32)| heard.to_bits() != sample(depth(channel), channel, *frame).to_bits();
    caught.frames(channel).filter(wrong).count()
}

#[test]
fn thirty_two_jack_channels_pass_bit_exact_without_crosstalk_and_without_an_added_frame() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let feeder = Feeder::start(&jackd.name, "feeder", 32);
    let catcher = Catcher::start(&jackd.name, "catcher", 32);
    let (device, seen, notices) = open(&linked(&jackd.name, 32), Some(SampleRate::HZ_48000));
    await_links(&notices, 64);
    let format = device.format();
    assert_eq!((format.rate.hz(), format.period_frames, format.inputs, format.outputs), (48_000, 256, 32, 32));

    // Every sample carries the server's frame count it was made for: the same count means no frame added, the same
    // bits of 32 different signals mean exact and no crosstalk.
    jackd.freewheel(true);
    let caught = catcher.catch(480_000);
    jackd.freewheel(false);
    for channel in 0..32 {
        assert_eq!(wrong_frames(&caught, channel), 0, "channel {channel} of {:?}", depth(channel));
    }

    // The same in real time. The dummy server is preempted on busy machines: blocks around an xrun may be torn.
    while notices.try_recv().is_ok() {}
    let caught = catcher.catch(96_000);
    std::thread::sleep(Duration::from_millis(300));
    let xruns: u32 =
        notices.try_iter().map(|notice| if let DeviceNotice::Xruns(count) = notice { count } else { 0 }).sum();
    for channel in 0..32 {
        let wrong = wrong_frames(&caught, channel);
        assert!(wrong <= 2 * 256 * xruns as usize, "channel {channel}: {wrong} wrong frames, {xruns} xruns");
    }
    println!("real time: {xruns} xruns in 2 s, {} blocks in all", seen.blocks.load(SeqCst));
    drop(device);
    drop((feeder, catcher));
}

#[test]
fn outputs_nobody_writes_are_silent() {
    struct Lazy;
    impl BlockSink for Lazy {
        fn block(&mut self, _: &mut dyn Wires, _: BlockTime) {}
    }
    let Some(jackd) = Jackd::start(48_000, 128, 2) else { return };
    let feeder = Feeder::start(&jackd.name, "feeder", 2);
    let catcher = Catcher::start(&jackd.name, "catcher", 2);
    let (send, notices) = sync_channel(16);
    let device = audio::open(&linked(&jackd.name, 2), None, Box::new(Lazy), send).expect("the server runs");
    await_links(&notices, 4);
    let caught = catcher.catch(4800);
    assert!(caught.channels.iter().flatten().all(|sample| sample.to_bits() == 0));
    drop((device, feeder));
}

#[test]
fn links_are_made_again_when_their_port_returns_and_not_when_somebody_takes_them_away() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let catcher = Catcher::start(&jackd.name, "catcher", 1);
    let (_device, _, notices) = open(&linked(&jackd.name, 1), None);
    await_notice(&notices, |notice| *notice == DeviceNotice::Linked("catcher:1".into()));
    let missing = |notice: &DeviceNotice| *notice == DeviceNotice::LinkMissing("feeder:1".into());
    // (Both were told in either order; a new one shows that the next appearance is awaited.)
    for round in 0..3 {
        let feeder = Feeder::start(&jackd.name, "feeder", 1);
        await_notice(&notices, |notice| *notice == DeviceNotice::Linked("feeder:1".into()));
        wait_until("the feeder is heard", || wrong_frames(&catcher.catch(256), 0) == 0);
        if round == 2 {
            feeder.client().disconnect_ports_by_name("feeder:1", "longthrow:in-1").expect("they were connected");
            wait_until("it is quiet", || catcher.catch(256).channels[0].iter().all(|sample| *sample == 0.0));
            // Another port appears, so the links are looked at again.
            let other = Feeder::start(&jackd.name, "other", 1);
            let after = catcher.catch(96_000);
            assert!(after.channels[0].iter().all(|sample| *sample == 0.0), "the link came back by itself");
            drop(other);
        }
        drop(feeder);
        await_notice(&notices, missing);
    }
}

#[test]
fn a_server_of_another_rate_is_refused_and_one_that_is_not_there_is_awaited() {
    let Some(jackd) = Jackd::start(44_100, 256, 2) else { return };
    let attempt = |device: &Device, rate| {
        let (send, _) = sync_channel(1);
        audio::open(device, rate, Through::make().0, send).map(|device| device.format())
    };
    let refused = attempt(&jack_device(&jackd.name, 2), Some(SampleRate::HZ_48000)).expect_err("44,100 is not 48,000");
    assert!(matches!(&refused, OpenError::Refused(why) if why.contains("44100 Hz, not at 48000 Hz")), "{refused}");
    assert_eq!(attempt(&jack_device(&jackd.name, 2), None).map(|format| format.rate.hz()), Ok(44_100));
    let absent = attempt(&jack_device("no-such-server", 2), None).expect_err("nobody runs it");
    assert!(matches!(&absent, OpenError::NotThere(why) if why.contains("no-such-server")), "{absent}");
    let none = attempt(&jack_device(&jackd.name, 0), None).expect_err("no channels");
    assert!(matches!(none, OpenError::Refused(_)), "{none}");
    let many = attempt(&jack_device(&jackd.name, 257), None).expect_err("too many");
    assert!(matches!(many, OpenError::Refused(_)), "{many}");
}

#[test]
fn a_new_period_is_told_and_rendered() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let feeder = Feeder::start(&jackd.name, "feeder", 2);
    let catcher = Catcher::start(&jackd.name, "catcher", 2);
    let (device, _, notices) = open(&linked(&jackd.name, 2), None);
    await_links(&notices, 4);
    for period in [64, 1024, 4096] {
        catcher.client().set_buffer_size(period).expect("the dummy driver takes any size");
        await_notice(&notices, |notice| *notice == DeviceNotice::Period(period));
        assert_eq!(device.format().period_frames, period);
        jackd.freewheel(true);
        let caught = catcher.catch(48_000);
        jackd.freewheel(false);
        assert!(caught.blocks.iter().all(|(_, length)| *length == period as usize));
        assert_eq!((wrong_frames(&caught, 0), wrong_frames(&caught, 1)), (0, 0), "{period} frames");
    }
    drop((device, feeder));
}

#[test]
fn a_killed_server_is_told_once_and_the_same_rig_opens_again() {
    let Some(mut jackd) = Jackd::start(48_000, 256, 2) else { return };
    for _ in 0..3 {
        let (device, seen, notices) = open(&jack_device(&jackd.name, 2), None);
        wait_until("blocks come", || seen.blocks.load(SeqCst) > 10);
        jackd.kill();
        await_notice(&notices, |notice| matches!(notice, DeviceNotice::Gone(_)));
        // On a thread of its own, as the daemon does; here it must end.
        std::thread::spawn(move || drop(device)).join().expect("closing after the server's death is safe");
        assert!(!notices.try_iter().any(|notice| matches!(notice, DeviceNotice::Gone(_))), "told twice");
        let (send, _) = sync_channel(1);
        let absent = audio::open(&jack_device(&jackd.name, 2), None, Through::make().0, send).map(|_| ());
        assert!(matches!(absent, Err(OpenError::NotThere(_))), "{absent:?}");
        jackd.start_again();
    }
}

#[test]
fn a_stopped_server_falls_silent_and_its_return_shows_in_the_time_of_the_blocks() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let (device, seen, notices) = open(&jack_device(&jackd.name, 2), None);
    wait_until("blocks come", || seen.blocks.load(SeqCst) > 10);
    jackd.signal("STOP");
    wait_until("blocks stop", || {
        let before = seen.blocks.load(SeqCst);
        std::thread::sleep(Duration::from_millis(200));
        seen.blocks.load(SeqCst) == before
    });
    assert!(!notices.try_iter().any(|notice| matches!(notice, DeviceNotice::Gone(_))), "it is only stopped");
    jackd.signal("CONT");
    let stopped_at = seen.blocks.load(SeqCst);
    wait_until("blocks come again", || seen.blocks.load(SeqCst) > stopped_at + 10);
    let gap = Duration::from_nanos(seen.longest_gap.load(SeqCst));
    println!("{gap:?} without a block");
    assert!(gap >= Duration::from_millis(200), "the time of the blocks shows the stop: {gap:?}");
    drop(device);
}

#[test]
fn twenty_openings_leave_no_thread_behind() {
    // Other tests of this binary open devices at the same time: count in a process of its own.
    if !inside() {
        if have(&["jackd"]) {
            again("twenty_openings_leave_no_thread_behind", &[], &[]);
        }
        return;
    }
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let cycle = || {
        let (device, seen, _notices) = open(&jack_device(&jackd.name, 8), None);
        wait_until("blocks come", || seen.blocks.load(SeqCst) > 2);
        drop(device);
    };
    cycle();
    let before = threads();
    (0..20).for_each(|_| cycle());
    wait_until("threads ended", || threads() <= before);
    println!("{before} threads before and {} after 20 openings", threads());
}

#[test]
fn the_same_client_passes_bit_exact_through_pipewire() {
    if !inside() {
        if let Some(pipewire) = PipeWire::start(&[]) {
            let name = "the_same_client_passes_bit_exact_through_pipewire";
            again(name, &["pw-jack"], &pipewire.environment());
        }
        return;
    }
    let feeder = Feeder::start("", "feeder", 32);
    let catcher = Catcher::start("", "catcher", 32);
    let (device, seen, notices) = open(&linked("", 32), None);
    await_links(&notices, 64);
    println!("{:?}; {:?}", device.format(), ports(feeder.client(), "longthrow:").len());
    wait_until("blocks come", || seen.blocks.load(SeqCst) > 10);
    // PipeWire has no freewheel that waits for us here; a machine busy with other work tears single blocks.
    let caught = catcher.catch(240_000);
    let periods: usize = caught.blocks.len();
    let torn = (0..32).map(|channel| wrong_frames(&caught, channel)).max().expect("32 channels");
    println!("{periods} blocks, at most {torn} wrong frames in a channel");
    assert!(torn * 50 <= 240_000, "{torn} wrong frames");
    drop((device, feeder));
}

fn alsa_device(identity: &str, inputs: u16, outputs: u16) -> Device {
    Device { host: Host::Alsa, inputs, outputs, period_frames: Some(512), ..jack_device(identity, 0) }
}

#[test]
fn alsa_through_cpal_passes_bit_exact_after_a_constant_delay() {
    if !inside_with_alsa("alsa_through_cpal_passes_bit_exact_after_a_constant_delay") {
        return;
    }
    let (feeder, catcher) = (Feeder::start("", "feeder", 8), Catcher::start("", "catcher", 8));

    let listed = audio::list().into_iter().find(|listed| listed.identity == "desk").expect("it is listed");
    assert_eq!((listed.host, listed.inputs, listed.outputs), (Host::Alsa, 8, 8), "{listed:?}");
    let (device, seen, notices) = open(&alsa_device(&listed.identity, 8, 8), Some(SampleRate::HZ_48000));
    wait_until("blocks come", || seen.blocks.load(SeqCst) > 20);
    // On a machine busy with other work an xrun may fall into any second: one of ten has to be whole.
    let mut best = 0;
    for _ in 0..10 {
        let caught = catcher.catch(96_000);
        let Some(delay) = caught.delay() else { continue };
        let run = caught.longest_exact_run(delay);
        println!("{delay} frames late, {run} of {} frames exact in all channels", caught.channels[0].len());
        best = best.max(run);
        if best >= 48_000 {
            break;
        }
    }
    println!(
        "{:?}, latency {:?}, {:?}",
        device.format(),
        device.latency_frames(),
        notices.try_iter().collect::<Vec<_>>()
    );
    assert!(best >= 48_000, "no second passed bit-exact");
    drop((device, feeder));
}

#[test]
fn alsa_inputs_alone_and_outputs_alone_drive_the_sink_and_wrong_wishes_are_refused() {
    if !inside_with_alsa("alsa_inputs_alone_and_outputs_alone_drive_the_sink_and_wrong_wishes_are_refused") {
        return;
    }
    let (_feeder, _catcher) = (Feeder::start("", "feeder", 8), Catcher::start("", "catcher", 8));
    for (inputs, outputs) in [(8, 0), (0, 8), (8, 8)] {
        let (device, seen, _) = open(&alsa_device("desk", inputs, outputs), None);
        wait_until("blocks come", || seen.blocks.load(SeqCst) > 20);
        assert_eq!((device.format().inputs, device.format().outputs), (usize::from(inputs), usize::from(outputs)));
    }
    let error = |device: &Device, rate| {
        let (send, _) = sync_channel(1);
        audio::open(device, rate, Through::make().0, send).map(|_| ()).expect_err("it cannot be opened")
    };
    assert!(
        matches!(error(&alsa_device("hw:0", 2, 2), None), OpenError::Refused(why) if why.contains("place in a list"))
    );
    assert!(matches!(error(&alsa_device("hw:CARD=Gone,DEV=0", 2, 2), None), OpenError::NotThere(_)));
    let many = error(&alsa_device("desk", 9, 8), None);
    assert_eq!(many, OpenError::Refused("9 inputs asked for; the device has 8".into()));
    let rate = error(&alsa_device("desk", 8, 8), SampleRate::try_new(96_000).ok());
    assert!(matches!(&rate, OpenError::Refused(why) if why.contains("96000 Hz")), "{rate}");
}

#[test]
fn twenty_openings_of_alsa_leave_no_thread_behind() {
    if !inside_with_alsa("twenty_openings_of_alsa_leave_no_thread_behind") {
        return;
    }
    let around = (Feeder::start("", "feeder", 8), Catcher::start("", "catcher", 8));
    let start = || {
        let (device, seen, _) = open(&alsa_device("desk", 8, 8), None);
        wait_until("blocks come", || seen.blocks.load(SeqCst) > 2);
        device
    };
    drop(start());
    let before = threads();
    (0..20).for_each(|_| drop(start()));
    wait_until("threads ended", || threads() <= before);
    println!("{before} threads before and {} after 20 openings", threads());

    // The server under it dies: ALSA may say nothing at all, but closing ends.
    let (sink, seen) = Through::make();
    let (send, _notices) = sync_channel(16);
    let device = audio::open(&alsa_device("desk", 8, 8), None, sink, send).expect("the server runs");
    wait_until("blocks come", || seen.blocks.load(SeqCst) > 2);
    let configuration = std::path::PathBuf::from(std::env::var_os("ALSA_CONFIG_PATH").expect("set outside"));
    std::fs::write(configuration.with_file_name("kill"), "").expect("it can be written");
    wait_until("blocks stop", || {
        let before = seen.blocks.load(SeqCst);
        std::thread::sleep(Duration::from_millis(300));
        seen.blocks.load(SeqCst) == before
    });
    let closing = std::thread::spawn(move || drop(device));
    wait_until("it is closed", || closing.is_finished());
    closing.join().expect("closing is safe");
    drop(around);
}

#[cfg(feature = "realtime-check")]
#[test]
fn the_real_time_checker_names_a_sink_that_allocates() {
    struct Hoarder(Vec<Vec<f32>>);
    impl BlockSink for Hoarder {
        fn block(&mut self, wires: &mut dyn Wires, _: BlockTime) {
            self.0.push(vec![0.0; wires.frames()]);
        }
    }
    if !inside() {
        if std::env::var_os("RTSAN_ENABLE").is_none() {
            println!("skipped: RTSAN_ENABLE is not set, so nothing is checked");
        } else if have(&["jackd"]) {
            let (passed, text) = support::try_again("the_real_time_checker_names_a_sink_that_allocates", &[], &[]);
            assert!(!passed && text.contains("real-time unsafe function") && text.contains("Hoarder"), "{text}");
        }
        return;
    }
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let (send, _) = sync_channel(16);
    let device = audio::open(&jack_device(&jackd.name, 2), None, Box::new(Hoarder(Vec::new())), send);
    std::thread::sleep(Duration::from_secs(2));
    drop(device);
}

#[test]
fn a_client_of_a_server_that_ended_keeps_its_successor_out_until_it_is_closed() {
    let Some(mut jackd) = Jackd::start(48_000, 256, 2) else { return };
    for round in 0..6 {
        let (old, seen, notices) = open(&jack_device(&jackd.name, 2), None);
        wait_until("blocks come", || seen.blocks.load(SeqCst) > 10);
        // Stopped first, as a server that hangs, then killed and started again; the device is dropped before or after.
        jackd.signal("STOP");
        let mut old = Some(old);
        let mut closing = None;
        if round % 2 == 0 {
            let old = old.take();
            closing = Some(std::thread::spawn(move || drop(old)));
            std::thread::sleep(Duration::from_millis(200));
            println!("closed at a stopped server within 200 ms: {}", closing.as_ref().is_some_and(|c| c.is_finished()));
        }
        jackd.kill();
        if let Some(old) = old {
            await_notice(&notices, |notice| matches!(notice, DeviceNotice::Gone(_)));
            let (send, _) = sync_channel(1);
            let refused = audio::open(&jack_device(&jackd.name, 2), None, Through::make().0, send).map(|_| ());
            assert!(matches!(&refused, Err(OpenError::WaitAndRetry(why)) if why.contains("closed")), "{refused:?}");
            closing = Some(std::thread::spawn(move || drop(old)));
        }
        // The server comes up while the old client is being closed.
        jackd.start_again();
        closing.expect("begun in both cases").join().expect("closing is safe");
        let (device, seen, _notices) = open(&jack_device(&jackd.name, 2), None);
        wait_until("blocks come", || seen.blocks.load(SeqCst) > 10);
        drop(device);
    }
}
