//! Profiles that change again and again while the sound goes on.
//!
//! One channel is the same in every profile and leaves alone by one output: it has to stay bit-exact. Around it
//! channels come and go, mono and stereo, in another order, on other inputs and other buses; every fifth file is
//! wrong and has to change nothing. `LONGTHROW_PROOF=1` makes 500 of them, otherwise 40.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

mod support;

use std::fmt::Write as _;
use std::sync::atomic::Ordering::Relaxed;
use support::daemon::Daemon;
use support::jackd::{Feeder, Jackd};
use support::judge::Judge;
use support::wait_until;

fn rig(server: &str) -> String {
    let mut text = format!(
        "form = 1\nkind = \"rig\"\nrate_hz = 48000\n[device.box]\nhost = \"jack\"\nidentity = \"{server}\"\ninputs = 8\n\
         outputs = 4\nlink_inputs = [{}]\nlink_outputs = [\"judge:in\"]\n",
        (1..=8).map(|n| format!("\"feeder:{n}\",")).collect::<String>()
    );
    for n in 1..=8 {
        write!(text, "[input.in-{n}]\nkind = \"line\"\ndevice = \"box\"\nchannels = [{n}]\n").expect("a string");
    }
    for n in 1..=3 {
        write!(text, "[input.pair-{n}]\nkind = \"line\"\ndevice = \"box\"\nchannels = [{}, {}]\n", 2 * n, 2 * n + 1)
            .expect("a string");
    }
    text + "[output.one]\nkind = \"line\"\ndevice = \"box\"\nchannels = [1, 2]\n\
            [output.two]\nkind = \"line\"\ndevice = \"box\"\nchannels = [3, 4]\n"
}

/// Random, and the same every time.
struct Chance(u64);

impl Chance {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % limit
    }
}

/// A profile of this number; every fifth is wrong.
fn profile(number: u64) -> String {
    let mut chance = Chance(number + 1);
    // Another name is another profile, which sets everything but what is open on air.
    let mut text = format!("form = 1\nkind = \"profile\"\nname = \"show {}\"\n", number / 3);
    let mut channels = vec![
        "[channel.keep]\nsource = \"in-1\"\nswitch = \"open\"\nfader = 0.0\npan = -1.0\nassign.alone = \"on\"\n"
            .to_owned(),
    ];
    for n in 0..4 + chance.below(16) {
        let source = if chance.below(3) == 0 {
            format!("pair-{}", 1 + chance.below(3))
        } else {
            format!("in-{}", 2 + chance.below(7))
        };
        let bus = ["programme", "audition", "extra"][chance.below(3) as usize];
        let switch = ["open", "closed"][chance.below(2) as usize];
        let fader = -(chance.below(600) as f64) / 10.0;
        channels.push(format!(
            "[channel.c{}]\nsource = \"{source}\"\nswitch = \"{switch}\"\nfader = {fader:?}\npan = {:?}\nassign.{bus} = \"on\"\n",
            n + 20 * chance.below(2),
            chance.below(21) as f64 / 10.0 - 1.0
        ));
    }
    for n in (1..channels.len()).rev() {
        channels.swap(n, chance.below(n as u64 + 1) as usize);
    }
    text += &channels.concat();
    write!(text, "[bus.alone]\n[bus.extra]\nfader = -{}.0\n", chance.below(40)).expect("a string");
    let two = ["programme", "audition", "extra"][chance.below(3) as usize];
    write!(text, "[output.one]\nsource = \"alone\"\n[output.two]\nsource = \"{two}\"\n").expect("a string");
    if number % 5 == 4 {
        text = match chance.below(3) {
            0 => text.replace("fader = 0.0", "fader = 77.0"),
            1 => text.replace("source = \"in-1\"", "sourse = \"in-1\""),
            _ => text[..text.len() / 2].to_owned() + "\n[[",
        };
    }
    text
}

fn swap(freewheel: bool, swaps: u64) {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let feeder = Feeder::start(&jackd.name, "feeder", 8);
    let judge = Judge::start(&jackd.name);
    let mut daemon = Daemon::start(&rig(&jackd.name), None, &profile(0));
    daemon.await_lines("linked to", 9);
    wait_until("the outputs have come up", || judge.listen(2_400) == 0);
    let seen = &judge.seen;
    let (start, wrong) = (seen.frames.load(Relaxed), seen.wrong.load(Relaxed));
    if freewheel {
        jackd.freewheel(true);
    }
    let (mut accepted, mut refused) = (0, 0);
    for number in 1..=swaps {
        let new = daemon.folder().join("new");
        std::fs::write(&new, profile(number)).expect("written");
        std::fs::rename(&new, daemon.folder().join("profile.toml")).expect("renamed over");
        if number % 5 == 4 {
            refused += 1;
            daemon.await_lines("stays in force", refused);
        } else {
            accepted += 1;
            daemon.await_lines("is in force", accepted);
        }
    }
    if freewheel {
        jackd.freewheel(false);
    }
    let (frames, wrong) = (seen.frames.load(Relaxed) - start, seen.wrong.load(Relaxed) - wrong);
    assert_eq!(daemon.stop(), Some(0));
    let blocks = daemon.await_line("blocks: ");
    let words: Vec<&str> = blocks.split(|c: char| !c.is_ascii_digit()).filter(|word| !word.is_empty()).collect();
    let xruns: u64 = words.last().and_then(|word| word.parse().ok()).expect("a count of xruns");
    println!("{accepted} swaps, {refused} refused; {wrong} of {frames} frames wrong; {}", &blocks[28..]);
    // In real time a machine that is busy with other work tears blocks around an xrun that it reports.
    let excused = if freewheel { 0 } else { xruns * 1_024 };
    assert!(wrong <= excused, "{wrong} wrong frames and {xruns} xruns");
    drop((judge, feeder));
}

fn swaps() -> u64 {
    if std::env::var_os("LONGTHROW_PROOF").is_some() { 500 } else { 40 }
}

#[test]
fn an_untouched_channel_is_the_same_bytes_through_every_swap_in_freewheel() {
    swap(true, swaps());
}

#[test]
fn swaps_while_live_leave_the_untouched_channel_exact() {
    swap(false, swaps());
}

#[test]
fn broken_files_are_refused_one_after_the_other_and_change_nothing() {
    let count = if std::env::var_os("LONGTHROW_PROOF").is_some() { 1_000 } else { 40 };
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let feeder = Feeder::start(&jackd.name, "feeder", 8);
    let judge = Judge::start(&jackd.name);
    let mut daemon = Daemon::start(&rig(&jackd.name), None, &profile(0));
    daemon.await_lines("linked to", 9);
    wait_until("the outputs have come up", || judge.listen(2_400) == 0);
    let wrong = judge.seen.wrong.load(Relaxed);
    for n in 0..count {
        std::fs::write(daemon.folder().join("new"), profile(5 * n + 4)).expect("written");
        std::fs::rename(daemon.folder().join("new"), daemon.folder().join("profile.toml")).expect("renamed over");
        daemon.await_lines("revision 1 stays in force", usize::try_from(n).expect("few") + 1);
    }
    let wrong = judge.seen.wrong.load(Relaxed) - wrong;
    assert_eq!(daemon.stop(), Some(0));
    let blocks = daemon.await_line("blocks: ");
    let xruns: u64 = blocks.rsplit("; ").next().and_then(|end| end.split(' ').next()?.parse().ok()).expect("a count");
    println!("{count} broken files: each refused, {wrong} frames differ, {xruns} xruns");
    assert!(wrong <= xruns * 1_024, "{wrong} frames differ");
    drop((judge, feeder));
}
