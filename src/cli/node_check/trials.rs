//! One trial for each numbered line of `configs/node/WIRE.md`.

use super::{Bench, Found};
use crate::panel::node::{FORM, FromNode, ToNode, number_after};
use crate::panel::osc::{Argument, Message};
use std::collections::BTreeSet;
use std::time::{Duration, Instant};

type Trial = fn(&mut Bench) -> Found;

/// Number, what it is about, how it is tried.
pub(super) const LINES: [(u32, &str, Trial); 32] = [
    (1, "packets are framed", frames),
    (2, "packets are sound", sound),
    (3, "hello when asked", hello),
    (4, "slot, capabilities and counts", counts),
    (5, "boot identity", boot),
    (6, "heartbeat every 200 to 500 ms", beats),
    (7, "uptime runs as the clock", uptime),
    (8, "no sequence number is left out", sequence),
    (9, "heartbeat gives the last sequence number", beat_sequence),
    (10, "hello to a desk of another form", other_form),
    (11, "an address it does not have is refused", unknown),
    (12, "wrong arguments are refused", arguments),
    (13, "rubbish does no harm", rubbish),
    (14, "full state when asked", full_state),
    (15, "every state again within 2 s", repeated),
    (16, "values are in range", values),
    (17, "lamps show what they are told", lamps),
    (18, "the same message again changes nothing", lamps_again),
    (19, "lamps fail lit", fail_lit),
    (20, "heartbeat goes on when lost, and says so", lost_beats),
    (21, "return from loss", returned),
    (22, "contacts go where they are told", contacts),
    (23, "contacts are safe when lost", contacts_safe),
    (24, "pulse width", pulse),
    (25, "one pulse for one number", pulse_again),
    (26, "pulse widths outside the limits are refused", pulse_limits),
    (27, "a pulse ends at its width when lost meanwhile", pulse_lost),
    (28, "raw burst", raw),
    (29, "raw samples are stamped", raw_stamps),
    (30, "raw samples are those of the converter", raw_bits),
    (31, "one raw burst at a time", raw_busy),
    (32, "raw bursts that cannot be are refused", raw_refused),
];

/// What judges everything that was heard comes last.
const OF_ALL_HEARD: [u32; 8] = [1, 2, 5, 6, 7, 8, 9, 16];

/// Indices of [`LINES`] in the order in which they are tried.
pub(super) fn order() -> impl Iterator<Item = usize> {
    let last = |index: &usize| OF_ALL_HEARD.contains(&LINES[*index].0);
    (0..LINES.len()).filter(move |index| !last(index)).chain((0..LINES.len()).filter(last))
}

const ANSWER: Duration = Duration::from_millis(500);
/// What the wire allows a lamp or contact, and as much again for the question and its answer.
const SHOWN: Duration = Duration::from_millis(100);
const NO_LAMPS: Found = Found::Skip("it has no lamps");
const NO_CONTACTS: Found = Found::Skip("it has no contacts");
const NO_RAW: Found = Found::Skip("it gives no raw samples");

fn ms(time: Duration) -> u128 {
    time.as_millis()
}

/// What the drivers have.
#[derive(Clone, Debug, Default)]
struct Shown {
    lamps: Vec<(String, f32)>,
    contacts: Vec<(String, bool)>,
    count: i32,
}

impl Bench {
    fn shown(&mut self) -> Option<Shown> {
        let (token, from) = (self.next_token(), self.heard.len());
        self.say(&ToNode::ShownAsk { token });
        let mut shown = Shown::default();
        let mut count = None;
        self.wait_for(ANSWER, |said| match said {
            FromNode::ShownEnd { token: ended, count: said } if *ended == token => {
                count = Some(*said);
                true
            }
            _ => false,
        });
        for heard in &self.heard[from..] {
            match &heard.said {
                FromNode::Shown { address, level } => shown.lamps.push((address.clone(), *level)),
                FromNode::ContactShown { name, closed } => shown.contacts.push((name.clone(), *closed)),
                _ => {}
            }
        }
        shown.count = count?;
        Some(shown)
    }

    fn refuses(&mut self, address: &str, reason: &str) -> bool {
        self.wait_for(ANSWER, |said| {
            matches!(said, FromNode::Refused { address: found, reason: why } if found == address && why == reason)
        })
    }

    fn level(&mut self, address: &str, level: f32) {
        self.say(&ToNode::Level { address, level });
    }

    /// The addresses of a full state with the count that its end gave, and how long it took.
    fn state(&mut self) -> Option<(BTreeSet<String>, i32, Duration)> {
        let (token, from, asked) = (self.next_token(), self.heard.len(), Instant::now());
        self.say(&ToNode::StateAsk { token });
        let mut count = None;
        self.wait_for(Duration::from_millis(1500), |said| match said {
            FromNode::StateEnd { token: ended, count: said, .. } if *ended == token => {
                count = Some(*said);
                true
            }
            _ => false,
        });
        Some((self.states_since(from), count?, asked.elapsed()))
    }

    fn states_since(&self, from: usize) -> BTreeSet<String> {
        let states = self.heard[from..].iter().filter_map(|heard| match &heard.said {
            FromNode::State { address, .. } => Some(address.clone()),
            _ => None,
        });
        states.collect()
    }

    fn controls(&self) -> usize {
        self.hello.as_ref().map_or(0, |hello| usize::try_from(hello.controls).unwrap_or(0))
    }
}

/// Pass when nothing is complained of.
fn judge(complaints: &[String], fine: impl Into<String>) -> Found {
    if complaints.is_empty() {
        return Found::Pass(fine.into());
    }
    let more = if complaints.len() > 2 { format!(" (and {} more)", complaints.len() - 2) } else { String::new() };
    Found::Fail(complaints.iter().take(2).cloned().collect::<Vec<_>>().join("; ") + &more)
}

// ---- hello and heartbeat ----

fn frames(bench: &mut Bench) -> Found {
    let Some(now) = bench.line.frames() else { return Found::Skip("a datagram frames itself") };
    let before = bench.frames_before;
    let mut complaints = Vec::new();
    for (count, what) in [
        (now.unopened - before.unopened, "packets have no END of their own before them"),
        (now.spoiled - before.spoiled, "frames have an escape that means nothing"),
        (now.too_long - before.too_long, "frames are longer than 1,024 bytes"),
    ] {
        if count > 0 {
            complaints.push(format!("{count} {what}"));
        }
    }
    judge(&complaints, format!("{} frames", now.packets - before.packets))
}

fn sound(bench: &mut Bench) -> Found {
    judge(&bench.unsound, format!("{} messages", bench.heard.len()))
}

fn hello(bench: &mut Bench) -> Found {
    let asked = Instant::now();
    bench.say(&ToNode::HelloAsk { form: FORM });
    if bench.wait_for(ANSWER, |said| matches!(said, FromNode::Hello(hello) if hello.form == FORM)) {
        Found::Pass(format!("form {FORM} after {} ms", ms(asked.elapsed())))
    } else {
        Found::Fail(format!("no hello of form {FORM} within 500 ms"))
    }
}

fn other_form(bench: &mut Bench) -> Found {
    bench.say(&ToNode::HelloAsk { form: 99 });
    if bench.wait_for(ANSWER, |said| matches!(said, FromNode::Hello(hello) if hello.form == FORM)) {
        Found::Pass("asked for form 99, said 1".to_owned())
    } else {
        Found::Fail("asked for form 99, it said no hello of its own form within 500 ms".to_owned())
    }
}

fn counts(bench: &mut Bench) -> Found {
    let Some(hello) = bench.hello.clone() else { return Found::Fail("it said no hello".to_owned()) };
    let mut complaints = Vec::new();
    if !(0..=63).contains(&hello.slot) || bench.slot.is_some_and(|slot| slot != hello.slot) {
        complaints.push(format!("slot {}", hello.slot));
    }
    for word in hello.capabilities.split(' ').filter(|word| !["lamps", "contacts", "raw", ""].contains(word)) {
        complaints.push(format!("capability \"{word}\""));
    }
    for (word, count) in [("lamps", hello.lamps), ("contacts", hello.contacts)] {
        if hello.can(word) != (count > 0) {
            complaints.push(format!("{count} {word}, and the capability is {}", hello.can(word)));
        }
    }
    match bench.shown() {
        None => complaints.push("it does not say what it shows".to_owned()),
        Some(shown) => {
            for (what, said, found) in
                [("lamps", hello.lamps, shown.lamps.len()), ("contacts", hello.contacts, shown.contacts.len())]
            {
                if usize::try_from(said) != Ok(found) {
                    complaints.push(format!("it says {said} {what} and shows {found}"));
                }
            }
        }
    }
    judge(&complaints, format!("slot {}, {}", hello.slot, hello.capabilities))
}

/// Every beat with when it came.
fn all_beats(bench: &Bench) -> Vec<(Instant, crate::panel::node::Beat)> {
    let beats = bench.heard.iter().filter_map(|heard| match heard.said {
        FromNode::Beat(beat) => Some((heard.at, beat)),
        _ => None,
    });
    beats.collect()
}

fn boot(bench: &mut Bench) -> Found {
    let of_hellos = bench.heard.iter().filter_map(|heard| match &heard.said {
        FromNode::Hello(hello) => Some(hello.boot),
        _ => None,
    });
    let mut found: BTreeSet<i32> = of_hellos.chain(all_beats(bench).iter().map(|(_, beat)| beat.boot)).collect();
    found.extend(bench.hello.as_ref().map(|hello| hello.boot));
    match found.iter().collect::<Vec<_>>()[..] {
        [0] | [] => Found::Fail("it is 0, or was not said".to_owned()),
        [one] => Found::Pass(format!("{one} throughout")),
        _ => Found::Fail(format!("it says {found:?} in one run")),
    }
}

fn beats(bench: &mut Bench) -> Found {
    let beats = all_beats(bench);
    // By the node's own clock, which line 7 holds against ours: the way here may hold a packet up.
    let apart: Vec<i32> = beats.windows(2).map(|pair| pair[1].1.uptime_ms - pair[0].1.uptime_ms).collect();
    let outside = apart.iter().filter(|ms| !(200..=500).contains(*ms)).count();
    match (apart.iter().min(), apart.iter().max()) {
        (Some(shortest), Some(longest)) if outside == 0 => {
            Found::Pass(format!("{} beats, {shortest} to {longest} ms apart", beats.len()))
        }
        (Some(shortest), Some(longest)) => {
            Found::Fail(format!("{outside} of {} are {shortest} to {longest} ms apart", apart.len()))
        }
        _ => Found::Fail("none was heard".to_owned()),
    }
}

fn uptime(bench: &mut Bench) -> Found {
    let beats = all_beats(bench);
    let (Some((first_at, first)), Some((last_at, last))) = (beats.first(), beats.last()) else {
        return Found::Fail("no heartbeat was heard".to_owned());
    };
    let ours = last_at.duration_since(*first_at).as_secs_f64();
    let theirs = f64::from(last.uptime_ms - first.uptime_ms) / 1000.0;
    let text = format!("{theirs:.1} s in {ours:.1} s");
    if ours > 2.0 && (theirs / ours - 1.0).abs() <= 0.1 { Found::Pass(text) } else { Found::Fail(text) }
}

fn sequence(bench: &mut Bench) -> Found {
    let mut complaints = Vec::new();
    let mut last = None;
    let mut count = 0;
    for heard in &bench.heard {
        let (FromNode::Moved { sequence, .. } | FromNode::State { sequence, .. }) = &heard.said else { continue };
        count += 1;
        if let Some(last) = last.replace(*sequence)
            && *sequence != number_after(last)
        {
            complaints.push(format!("{last} is followed by {sequence}"));
        }
    }
    if count == 0 {
        complaints.push("no move or state was heard".to_owned());
    }
    judge(&complaints, format!("{count} numbers"))
}

fn beat_sequence(bench: &mut Bench) -> Found {
    let mut complaints = Vec::new();
    let mut last = None;
    for heard in &bench.heard {
        match &heard.said {
            FromNode::Moved { sequence, .. } | FromNode::State { sequence, .. } => last = Some(*sequence),
            FromNode::Beat(beat) if last.is_some_and(|last| last != beat.sequence) => {
                complaints.push(format!("{} after {}", beat.sequence, last.unwrap_or_default()));
            }
            _ => {}
        }
    }
    if last.is_none() {
        complaints.push("no move or state was heard".to_owned());
    }
    judge(&complaints, "in every beat")
}

fn unknown(bench: &mut Bench) -> Found {
    for address in ["/node/no-such-thing", "/no/such/lamp"] {
        bench.say_message(&Message { address: address.to_owned(), arguments: vec![Argument::Int(1)] });
        if !bench.refuses(address, "unknown") {
            return Found::Fail(format!("{address} was not refused as unknown"));
        }
    }
    Found::Pass("refused".to_owned())
}

fn arguments(bench: &mut Bench) -> Found {
    for (address, arguments) in [
        ("/node/state/ask", vec![Argument::Text("all".to_owned())]),
        ("/node/shown/ask", vec![]),
        ("/node/beat", vec![Argument::Int(1), Argument::Int(2)]),
    ] {
        let from = bench.heard.len();
        bench.say_message(&Message { address: address.to_owned(), arguments });
        if !bench.refuses(address, "arguments") {
            return Found::Fail(format!("{address} with wrong arguments was not refused"));
        }
        bench.wait(Duration::from_millis(100));
        let did = |said: &FromNode| matches!(said, FromNode::StateEnd { .. } | FromNode::ShownEnd { .. });
        if bench.heard[from..].iter().any(|heard| did(&heard.said)) {
            return Found::Fail(format!("{address} was refused and done"));
        }
    }
    Found::Pass("refused, and nothing done".to_owned())
}

fn rubbish(bench: &mut Bench) -> Found {
    let cut_short: &[u8] = b"/node/state/ask\0,i\0\0\0\0";
    let no_text: &[u8] = b"/node/beat\0\0,s\0\0abcd";
    let endless = vec![0x41; 2000];
    let noise: Vec<u8> = (0..600_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 23) as u8).collect();
    for bytes in [cut_short, no_text, &endless, &noise, &[0], b"#bundle\0"] {
        // As packets, and on a serial line also as they are.
        bench.line.send(bytes);
        bench.line.send_bytes(bytes);
    }
    // What 115,200 baud takes for that, and whatever it was refused with.
    bench.wait(Duration::from_millis(700));
    bench.say(&ToNode::HelloAsk { form: FORM });
    let answered = bench.wait_for(ANSWER, |said| matches!(said, FromNode::Hello(_)));
    bench.wait(Duration::from_millis(if answered { 100 } else { 2000 }));
    if answered {
        Found::Pass("the next packet was understood".to_owned())
    } else {
        Found::Fail("after it, a sound packet was not answered".to_owned())
    }
}

// ---- moves and states ----

fn full_state(bench: &mut Bench) -> Found {
    let controls = bench.controls();
    let mut longest = Duration::ZERO;
    // More than once: a state that is left out may come by its turn meanwhile.
    for _ in 0..4 {
        let Some((addresses, count, took)) = bench.state() else {
            return Found::Fail("no end came within 1.5 s".to_owned());
        };
        if addresses.len() != controls || usize::try_from(count) != Ok(controls) {
            let said = addresses.len();
            return Found::Fail(format!("{said} of {controls} controls were said, its end counts {count}"));
        }
        longest = longest.max(took);
    }
    let text = format!("{controls} controls in {} ms", ms(longest));
    if longest <= Duration::from_secs(1) { Found::Pass(text) } else { Found::Fail(text) }
}

fn repeated(bench: &mut Bench) -> Found {
    let from = bench.heard.len();
    bench.wait(Duration::from_millis(2200));
    let (found, controls) = (bench.states_since(from).len(), bench.controls());
    let text = format!("{found} of {controls} controls in 2.2 s");
    if found == controls { Found::Pass(text) } else { Found::Fail(text) }
}

fn values(bench: &mut Bench) -> Found {
    let mut complaints = Vec::new();
    for heard in &bench.heard {
        let (address, value, sound) = match &heard.said {
            FromNode::State { address, value, .. } => (address, value, (0.0..=1.0).contains(value)),
            FromNode::Moved { address, value, .. } => {
                let steps = value.abs() <= 64.0 && value.fract() == 0.0;
                (address, value, steps || (0.0..=1.0).contains(value))
            }
            _ => continue,
        };
        if !sound {
            complaints.push(format!("{address} {value}"));
        }
    }
    judge(&complaints, "all of them")
}

// ---- lamps ----

/// Tells every lamp these levels one after another; what is shown after the last.
/// Lamps with their levels, for people.
fn list(lamps: &[(String, f32)]) -> String {
    let each: Vec<String> = lamps.iter().map(|(name, level)| format!("{name} {level}")).collect();
    if each.is_empty() { "none is shown".to_owned() } else { each.join(", ") }
}

fn open_closed(contacts: &[bool]) -> String {
    let words: Vec<&str> = contacts.iter().map(|closed| if *closed { "closed" } else { "open" }).collect();
    words.join(", ")
}

fn tell(bench: &mut Bench, lamps: &[(String, f32)], levels: &[f32]) -> Vec<(String, f32)> {
    for level in levels {
        for (address, _) in lamps {
            bench.level(address, *level);
        }
    }
    bench.wait(SHOWN);
    bench.shown().map(|shown| shown.lamps).unwrap_or_default()
}

fn lamps_after(bench: &mut Bench, rows: &[(&[f32], std::ops::RangeInclusive<f32>)], fine: &str) -> Found {
    if !bench.can("lamps") {
        return NO_LAMPS;
    }
    let Some(first) = bench.shown() else { return Found::Fail("it does not say what it shows".to_owned()) };
    if usize::try_from(first.count) != Ok(first.lamps.len() + first.contacts.len()) {
        return Found::Fail(format!("its end counts {}, it showed another number", first.count));
    }
    let mut complaints = Vec::new();
    for (levels, accepted) in rows {
        for (address, level) in tell(bench, &first.lamps, levels) {
            if !accepted.contains(&level) {
                complaints.push(format!("{address} shows {level} after {levels:?}"));
            }
        }
    }
    judge(&complaints, fine)
}

fn lamps(bench: &mut Bench) -> Found {
    let rows: [(&[f32], _); 3] = [(&[1.0], 0.99..=1.0), (&[0.5], 0.49..=1.0), (&[0.0], 0.0..=0.01)];
    lamps_after(bench, &rows, "1, 0.5 and 0 within 100 ms")
}

fn lamps_again(bench: &mut Bench) -> Found {
    let rows: [(&[f32], _); 2] = [(&[1.0, 1.0], 0.99..=1.0), (&[0.0, 0.0], 0.0..=0.01)];
    lamps_after(bench, &rows, "twice lit is lit, twice dark is dark")
}

// ---- loss ----

/// What was seen while the desk was silent and after it.
#[derive(Clone, Debug, Default)]
pub(super) struct Loss {
    /// With the time since the last beat in ms, at the question and at the answer.
    seen: Vec<(u128, u128, Shown)>,
    /// The status of each beat of the node, with the time since ours.
    statuses: Vec<(u128, i32)>,
    /// What was shown 200 ms after the next beat.
    after: Shown,
    asked_for_lamps: bool,
    /// What lamps and contacts had been told, and the safe states.
    told: Shown,
    safe: Vec<bool>,
}

impl Bench {
    /// Falls silent once, and keeps what was seen.
    fn loss(&mut self) -> Option<Loss> {
        if self.loss.is_none() {
            let mut told = self.shown()?;
            let mut safe = Vec::new();
            for (index, (address, level)) in told.lamps.iter_mut().enumerate() {
                *level = if index % 2 == 0 { 0.0 } else { 1.0 };
                self.level(address, *level);
            }
            for (index, (name, closed)) in told.contacts.iter_mut().enumerate() {
                *closed = index % 2 == 1;
                safe.push(!*closed);
                self.say(&ToNode::Contact { name, closed: *closed, safe_closed: !*closed });
            }
            self.wait(Duration::from_millis(300));
            self.beating = false;
            let (from, last_beat) = (self.heard.len(), self.last_beat);
            let mut loss = Loss { told, safe, ..Loss::default() };
            while last_beat.elapsed() < Duration::from_millis(3000) {
                let asked = ms(last_beat.elapsed());
                let Some(shown) = self.shown() else { continue };
                loss.seen.push((asked, ms(last_beat.elapsed()), shown));
                self.wait(Duration::from_millis(40));
            }
            for heard in &self.heard[from..] {
                if let FromNode::Beat(beat) = heard.said {
                    loss.statuses.push((ms(heard.at.duration_since(last_beat)), beat.status));
                }
            }
            let from = self.heard.len();
            self.beating = true;
            self.beat_due = Instant::now();
            self.wait(Duration::from_millis(200));
            loss.after = self.shown()?;
            self.wait(Duration::from_millis(300));
            loss.asked_for_lamps = self.heard[from..].iter().any(|heard| heard.said == FromNode::LampsAsk);
            self.loss = Some(loss);
        }
        self.loss.clone()
    }
}

const NOT_SHOWN: &str = "it does not say what it shows";

#[expect(clippy::float_cmp, reason = "0 and 1 are exact on the wire")]
fn fail_lit(bench: &mut Bench) -> Found {
    if !bench.can("lamps") {
        return NO_LAMPS;
    }
    let Some(loss) = bench.loss() else { return Found::Fail(NOT_SHOWN.to_owned()) };
    let mut complaints = Vec::new();
    for (index, (address, told)) in loss.told.lamps.iter().enumerate() {
        let level = |shown: &Shown| shown.lamps.get(index).map_or(-1.0, |(_, level)| *level);
        let early = loss.seen.iter().filter(|(_, answered, _)| *answered < 950);
        if early.clone().any(|(.., shown)| level(shown) != *told) {
            complaints.push(format!("{address} changed before 1 s"));
        }
        let late: Vec<f32> =
            loss.seen.iter().filter(|(asked, ..)| *asked >= 1500).map(|(.., shown)| level(shown)).collect();
        let lit = late.iter().filter(|level| **level == 1.0).count();
        let dark = late.iter().filter(|level| **level == 0.0).count();
        if lit + dark != late.len() || lit * 4 < late.len() || dark * 4 < late.len() {
            complaints.push(format!("{address} was lit {lit} and dark {dark} of {} times", late.len()));
        }
    }
    judge(&complaints, "all lamps flash from 1.5 s on at the latest, none before 1 s")
}

fn lost_beats(bench: &mut Bench) -> Found {
    let Some(loss) = bench.loss() else { return Found::Fail(NOT_SHOWN.to_owned()) };
    let lost: Vec<i32> = loss.statuses.iter().filter(|(at, _)| *at >= 1600).map(|(_, status)| *status).collect();
    let before: Vec<i32> = loss.statuses.iter().filter(|(at, _)| *at < 900).map(|(_, status)| *status).collect();
    let text = format!("status while lost {lost:?}, before {before:?}");
    let sound = lost.len() >= 2 && lost.iter().all(|status| *status == 1) && before.iter().all(|status| *status == 0);
    if sound { Found::Pass(text) } else { Found::Fail(text) }
}

fn returned(bench: &mut Bench) -> Found {
    if !bench.can("lamps") {
        return NO_LAMPS;
    }
    let Some(loss) = bench.loss() else { return Found::Fail(NOT_SHOWN.to_owned()) };
    let mut complaints = Vec::new();
    if loss.after.lamps != loss.told.lamps {
        complaints.push(format!(
            "its lamps are not as they were told 200 ms after the next beat: {}",
            list(&loss.after.lamps)
        ));
    }
    if !loss.asked_for_lamps {
        complaints.push("it did not ask for all lamps".to_owned());
    }
    judge(&complaints, "as told before, and all lamps asked for")
}

// ---- contacts ----

fn first_contact(bench: &mut Bench) -> Option<String> {
    bench.shown().and_then(|shown| Some(shown.contacts.first()?.0.clone()))
}

fn is_closed(bench: &mut Bench, contact: &str) -> Option<bool> {
    let shown = bench.shown()?;
    shown.contacts.iter().find(|(name, _)| name == contact).map(|(_, closed)| *closed)
}

fn contacts(bench: &mut Bench) -> Found {
    if !bench.can("contacts") {
        return NO_CONTACTS;
    }
    let Some(first) = bench.shown() else { return Found::Fail(NOT_SHOWN.to_owned()) };
    let mut complaints = Vec::new();
    for closed in [true, false, true, false] {
        for (name, _) in &first.contacts {
            bench.say(&ToNode::Contact { name, closed, safe_closed: false });
        }
        bench.wait(SHOWN);
        for (name, found) in bench.shown().unwrap_or_default().contacts {
            if found != closed {
                complaints.push(format!("{name} is {found}, told {closed}"));
            }
        }
    }
    judge(&complaints, "closed and open within 100 ms")
}

fn contacts_safe(bench: &mut Bench) -> Found {
    if !bench.can("contacts") {
        return NO_CONTACTS;
    }
    let Some(loss) = bench.loss() else { return Found::Fail(NOT_SHOWN.to_owned()) };
    let mut complaints = Vec::new();
    let states = |shown: &Shown| shown.contacts.iter().map(|(_, closed)| *closed).collect::<Vec<_>>();
    for (asked, answered, shown) in &loss.seen {
        if *answered < 950 && states(shown) != states(&loss.told) {
            complaints.push(format!("they moved {answered} ms after the last beat"));
        }
        if *asked >= 1500 && states(shown) != loss.safe {
            complaints.push(format!(
                "they are {} after {asked} ms, safe is {}",
                open_closed(&states(shown)),
                open_closed(&loss.safe)
            ));
        }
    }
    if states(&loss.after) != states(&loss.told) {
        complaints.push("they are not back after the next beat".to_owned());
    }
    judge(&complaints, "safe within 1.5 s, back on return")
}

impl Bench {
    /// Sends a pulse and gives the width that the node said, and after how long.
    fn pulse(&mut self, name: &str, number: i32, width_ms: u16, longest: Duration) -> Option<(i32, Duration)> {
        let asked = Instant::now();
        self.say(&ToNode::Pulse { name, number, width_ms });
        let mut width = None;
        self.wait_for(longest, |said| match said {
            FromNode::PulseDone { name: done, number: which, width_ms } if done == name && *which == number => {
                width = Some(*width_ms);
                true
            }
            _ => false,
        });
        Some((width?, asked.elapsed()))
    }

    /// Every contact open, now and when lost.
    fn open_all(&mut self) {
        for (name, _) in self.shown().unwrap_or_default().contacts {
            self.say(&ToNode::Contact { name: &name, closed: false, safe_closed: false });
        }
        self.wait(SHOWN);
    }
}

fn pulse(bench: &mut Bench) -> Found {
    if !bench.can("contacts") {
        return NO_CONTACTS;
    }
    bench.open_all();
    let Some(name) = first_contact(bench) else { return Found::Fail(NOT_SHOWN.to_owned()) };
    let mut complaints = Vec::new();
    for width in [100, 500] {
        let number = bench.next_token();
        let asked = Instant::now();
        bench.say(&ToNode::Pulse { name: &name, number, width_ms: width });
        if width == 500 {
            bench.wait(Duration::from_millis(100));
            if is_closed(bench, &name) != Some(true) {
                complaints.push("it was not closed 100 ms after the question".to_owned());
            }
        }
        // The same again: it tells whether it is over, and is no other pulse.
        let Some((made, _)) = bench.pulse(&name, number, width, Duration::from_secs(2)) else {
            complaints.push(format!("a pulse of {width} ms was never done"));
            continue;
        };
        let took = ms(asked.elapsed());
        if (made - i32::from(width)).abs() > 10 {
            complaints.push(format!("{made} ms for {width}"));
        }
        // What ends before its width was not closed for so long, whatever is said; late may be the line.
        if took + 10 < width.into() {
            complaints.push(format!("a pulse of {width} ms was over after {took}"));
        }
        if is_closed(bench, &name) != Some(false) {
            complaints.push("it stayed closed".to_owned());
        }
    }
    judge(&complaints, "100 and 500 ms within 10 ms, as the node timed them")
}

fn pulse_again(bench: &mut Bench) -> Found {
    if !bench.can("contacts") {
        return NO_CONTACTS;
    }
    let Some(name) = first_contact(bench) else { return Found::Fail(NOT_SHOWN.to_owned()) };
    let number = bench.next_token();
    if bench.pulse(&name, number, 300, Duration::from_secs(2)).is_none() {
        return Found::Fail("the first pulse was never done".to_owned());
    }
    bench.say(&ToNode::Pulse { name: &name, number, width_ms: 300 });
    let again = bench.wait_for(
        Duration::from_millis(150),
        |said| matches!(said, FromNode::PulseDone { number: which, .. } if *which == number),
    );
    match (again, is_closed(bench, &name)) {
        (true, Some(false)) => Found::Pass("done was said again, and the contact stayed open".to_owned()),
        (again, closed) => Found::Fail(format!("done again: {again}; closed: {closed:?}")),
    }
}

fn pulse_limits(bench: &mut Bench) -> Found {
    if !bench.can("contacts") {
        return NO_CONTACTS;
    }
    bench.wait(Duration::from_millis(400));
    let Some(name) = first_contact(bench) else { return Found::Fail(NOT_SHOWN.to_owned()) };
    let mut complaints = Vec::new();
    for width_ms in [19, 2001] {
        let number = bench.next_token();
        bench.say(&ToNode::Pulse { name: &name, number, width_ms });
        if !bench.refuses("/node/pulse", "range") {
            complaints.push(format!("{width_ms} ms was not refused"));
        }
        if is_closed(bench, &name) != Some(false) {
            complaints.push(format!("{width_ms} ms closed it"));
        }
    }
    // A pulse that should not be may still be under way.
    bench.wait(Duration::from_millis(if complaints.is_empty() { 50 } else { 2100 }));
    judge(&complaints, "19 and 2,001 ms")
}

fn pulse_lost(bench: &mut Bench) -> Found {
    if !bench.can("contacts") {
        return NO_CONTACTS;
    }
    bench.open_all();
    let Some(name) = first_contact(bench) else { return Found::Fail(NOT_SHOWN.to_owned()) };
    let number = bench.next_token();
    bench.beating = false;
    let made = bench.pulse(&name, number, 1800, Duration::from_secs(4));
    let closed = is_closed(bench, &name);
    bench.beating = true;
    bench.beat_due = Instant::now();
    bench.wait(Duration::from_millis(500));
    let made_words = made.map_or("no pulse".to_owned(), |(width, _)| format!("{width} ms"));
    let after = match closed {
        Some(true) => "still closed after it",
        Some(false) => "open after it",
        None => "not shown after it",
    };
    let text = format!("made {made_words} of 1800 ms, {after}");
    let sound = made.is_some_and(|(width, _)| (width - 1800).abs() <= 10) && closed == Some(false);
    if sound { Found::Pass(text) } else { Found::Fail(text) }
}

// ---- raw samples ----

const RAW_RATE: i32 = 500;
const RAW_MS: i32 = 800;

/// What a burst brought.
#[derive(Clone, Debug, Default)]
pub(super) struct Burst {
    begin: Option<(i32, i32)>,
    pieces: Vec<(i32, u32, Vec<u16>)>,
    end: Option<(i32, i32)>,
    second_refused: bool,
}

impl Bench {
    /// One burst, once, with a second one asked for meanwhile.
    fn burst(&mut self) -> Option<Burst> {
        if self.burst.is_none() {
            let address = self.state()?.0.first()?.clone();
            let (token, second, from) = (self.next_token(), self.next_token(), self.heard.len());
            self.say(&ToNode::RawAsk { token, address: &address, rate: RAW_RATE, ms: RAW_MS });
            let begun = |said: &FromNode| matches!(said, FromNode::RawBegin { token: begun, .. } if *begun == token);
            let mut burst = Burst::default();
            if self.wait_for(ANSWER, begun) {
                self.say(&ToNode::RawAsk { token: second, address: &address, rate: RAW_RATE, ms: RAW_MS });
                burst.second_refused = self.refuses("/node/raw/ask", "busy");
            }
            self.wait_for(
                Duration::from_millis(2500),
                |said| matches!(said, FromNode::RawEnd { token: ended, .. } if *ended == token),
            );
            for heard in &self.heard[from..] {
                match &heard.said {
                    FromNode::RawBegin { token: of, rate, bits, .. } if *of == token => {
                        burst.begin = Some((*rate, *bits));
                    }
                    FromNode::Raw { token: of, index, time_us, samples } if *of == token => {
                        burst.pieces.push((*index, *time_us, samples.clone()));
                    }
                    FromNode::RawEnd { token: of, sent, missed } if *of == token => burst.end = Some((*sent, *missed)),
                    _ => {}
                }
            }
            self.burst = Some(burst);
        }
        self.burst.clone()
    }
}

fn raw(bench: &mut Bench) -> Found {
    if !bench.can("raw") {
        return NO_RAW;
    }
    let Some(burst) = bench.burst() else { return Found::Fail("it says no state, so no control is known".to_owned()) };
    let Some((rate, _)) = burst.begin else { return Found::Fail("it did not begin within 500 ms".to_owned()) };
    let samples: usize = burst.pieces.iter().map(|(.., samples)| samples.len()).sum();
    let wanted = rate * RAW_MS / 1000;
    let text = format!(
        "{samples} samples of {wanted}, {}",
        match burst.end {
            Some((sent, missed)) => format!("its end counts {sent} sent and {missed} missed"),
            None => "and no end of it".to_owned(),
        }
    );
    let samples = i32::try_from(samples).unwrap_or(i32::MAX);
    let sound = (samples - wanted).abs() <= 1 && burst.end == Some((samples, 0));
    let short = burst.pieces.iter().all(|(.., samples)| samples.len() <= 128);
    if sound && short { Found::Pass(text) } else { Found::Fail(text) }
}

fn raw_stamps(bench: &mut Bench) -> Found {
    if !bench.can("raw") {
        return NO_RAW;
    }
    let Some(burst) = bench.burst().filter(|burst| burst.pieces.len() >= 2) else {
        return Found::Fail("fewer than two messages of samples".to_owned());
    };
    let rate = f64::from(burst.begin.map_or(RAW_RATE, |(rate, _)| rate).max(1));
    let mut complaints = Vec::new();
    for pair in burst.pieces.windows(2) {
        let ((index, time, samples), (next, next_time, _)) = (&pair[0], &pair[1]);
        if usize::try_from(next - index) != Ok(samples.len()) {
            complaints.push(format!("index {next} follows {index} with {} samples", samples.len()));
        }
        let expected = f64::from(next - index) / rate;
        let said = f64::from(next_time.wrapping_sub(*time)) * 1e-6;
        if (said / expected - 1.0).abs() > 0.01 {
            complaints.push(format!("{said:.4} s where {expected:.4} s lie between"));
        }
    }
    judge(&complaints, format!("{} messages", burst.pieces.len()))
}

fn raw_bits(bench: &mut Bench) -> Found {
    if !bench.can("raw") {
        return NO_RAW;
    }
    let Some((burst, (_, bits))) = bench.burst().and_then(|burst| Some((burst.clone(), burst.begin?))) else {
        return Found::Fail("it did not begin".to_owned());
    };
    let highest = burst.pieces.iter().flat_map(|(.., samples)| samples).max().copied().unwrap_or(0);
    let text = format!("{bits} bits, highest sample {highest}");
    let sound = (8..=16).contains(&bits) && u32::from(highest) < 1 << bits;
    if sound { Found::Pass(text) } else { Found::Fail(text) }
}

fn raw_busy(bench: &mut Bench) -> Found {
    if !bench.can("raw") {
        return NO_RAW;
    }
    match bench.burst() {
        Some(Burst { second_refused: true, .. }) => Found::Pass("the second was refused".to_owned()),
        _ => Found::Fail("a second burst was not refused as busy".to_owned()),
    }
}

fn raw_refused(bench: &mut Bench) -> Found {
    if !bench.can("raw") {
        return NO_RAW;
    }
    let Some(address) = bench.state().and_then(|(addresses, ..)| addresses.first().cloned()) else {
        return Found::Fail("it says no state, so no control is known".to_owned());
    };
    let mut complaints = Vec::new();
    for (address, rate, ms, reason) in [
        ("/no/such/control", 100, 100, "unknown"),
        (&address, 1001, 100, "range"),
        (&address, 9, 100, "range"),
        (&address, 100, 9, "range"),
        (&address, 100, 60_001, "range"),
    ] {
        let token = bench.next_token();
        bench.say(&ToNode::RawAsk { token, address, rate, ms });
        if !bench.refuses("/node/raw/ask", reason) {
            complaints.push(format!("{address} at {rate}/s for {ms} ms was not refused as {reason}"));
        }
    }
    judge(&complaints, "refused")
}
