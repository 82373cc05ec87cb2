//! The desk's side of the wire to a panel node: what is said (`configs/node/WIRE.md`, form 1), and the state of a link.
//!
//! [`FromNode::read`] and [`ToNode::message`] know the words. A [`Link`] knows whether its node is there, what it has
//! missed, and what every lamp and contact was last told; time is an argument, and what it wants done comes back as
//! [`LinkEvent`]s. It neither frames nor sends.

use super::osc::{Argument, Message};
use std::collections::{BTreeMap, BTreeSet};

/// The form of the wire that this desk speaks.
pub const FORM: i32 = 1;
/// How often the desk beats, in ms.
pub const BEAT_MS: u64 = 250;
/// How often a node is asked for its hello, in ms.
pub const HELLO_ASK_MS: u64 = 500;
/// A node that did not beat for so long is lost, in ms.
pub const LOST_MS: u64 = 2_000;
/// A lamp or contact is told again after so long, in ms: with [`LAMPS_MAX`] of them waiting for their turn it is 2 s.
pub const REPEAT_MS: u64 = 700;
/// How often a contact that leaves the rig is told its safe state.
const LEAVING_TOLD: u32 = 5;
/// A node that was away for longer finds its contacts at their safe states: whoever set them may be gone.
const CONTACTS_KEPT_MS: u64 = 10_000;
/// A new hello counts at most so often: each is told to people and written down.
const HELLO_EVERY_MS: u64 = 1_000;
/// Characters of a text of the node's that are shown.
const TEXT_MAX: usize = 80;
/// A full state that is not complete after so long is asked for again, in ms.
pub const STATE_MS: u64 = 1_500;
/// A pulse is sent again after so long, in ms.
pub const PULSE_AGAIN_MS: u64 = 150;
/// How often a pulse is sent at most.
pub const PULSE_TRIES: u32 = 3;
/// The narrowest and the widest pulse, in ms.
pub const PULSE_MS: std::ops::RangeInclusive<u16> = 20..=2_000;
/// Lamps and contacts told in one tick; with a tick every 20 ms it is half of what 115,200 baud can carry.
const TOLD_IN_A_TICK: usize = 4;
/// Lamps that are remembered.
pub const LAMPS_MAX: usize = 256;
/// Controls whose state is remembered.
pub const CONTROLS_MAX: usize = 512;

/// What a node says.
#[derive(Clone, Debug, PartialEq)]
pub enum FromNode {
    /// Who it is.
    Hello(Hello),
    /// That it lives.
    Beat(Beat),
    /// A control moved.
    Moved {
        /// Its address.
        address: String,
        /// Its value, or steps.
        value: f32,
        /// One more than that of the last move or state.
        sequence: i32,
    },
    /// Where a control stands.
    State {
        /// Its address.
        address: String,
        /// Its value.
        value: f32,
        /// One more than that of the last move or state.
        sequence: i32,
    },
    /// The end of a full state.
    StateEnd {
        /// That of the question.
        token: i32,
        /// States said for it.
        count: i32,
        /// Of the last move or state.
        sequence: i32,
    },
    /// All lamps and contacts, please.
    LampsAsk,
    /// What a lamp's driver has.
    Shown {
        /// The lamp's address.
        address: String,
        /// 0 to 1.
        level: f32,
    },
    /// What a contact's driver has.
    ContactShown {
        /// Its name.
        name: String,
        /// Whether it is closed.
        closed: bool,
    },
    /// The end of what is shown.
    ShownEnd {
        /// That of the question.
        token: i32,
        /// Lamps and contacts shown.
        count: i32,
    },
    /// A pulse is over.
    PulseDone {
        /// The contact.
        name: String,
        /// That of the pulse.
        number: i32,
        /// As it was made.
        width_ms: i32,
    },
    /// A burst of raw samples begins.
    RawBegin {
        /// That of the question.
        token: i32,
        /// The control.
        address: String,
        /// Samples a second.
        rate: i32,
        /// Of the converter.
        bits: i32,
    },
    /// Raw samples.
    Raw {
        /// That of the question.
        token: i32,
        /// Of the first sample.
        index: i32,
        /// Of the first sample, in µs of the node's own clock, round after 2^32.
        time_us: u32,
        /// As the converter said.
        samples: Vec<u16>,
    },
    /// A burst is over.
    RawEnd {
        /// That of the question.
        token: i32,
        /// Samples sent.
        sent: i32,
        /// Samples that were not, for want of room.
        missed: i32,
    },
    /// It does not do that.
    Refused {
        /// What.
        address: String,
        /// Why not: a word.
        reason: String,
    },
}

/// Who a node is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hello {
    /// Of the wire it speaks.
    pub form: i32,
    /// Its place in the frame, as its straps say.
    pub slot: i32,
    /// Another one after every start.
    pub boot: i32,
    /// Maker and version.
    pub maker: String,
    /// Words with a space between.
    pub capabilities: String,
    /// How many controls it has.
    pub controls: i32,
    /// How many lamps.
    pub lamps: i32,
    /// How many contacts.
    pub contacts: i32,
}

impl Hello {
    /// Whether it says that it can do this.
    #[must_use]
    pub fn can(&self, word: &str) -> bool {
        self.capabilities.split(' ').any(|known| known == word)
    }
}

/// A node's heartbeat.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Beat {
    /// As in its hello.
    pub boot: i32,
    /// Of its last move or state.
    pub sequence: i32,
    /// Since its start.
    pub uptime_ms: i32,
    /// Of its supply; 0 is not measured.
    pub supply_mv: i32,
    /// Bit 0: it has lost the desk.
    pub status: i32,
}

impl FromNode {
    /// Reads a message of a node; nothing when it is none of the wire's.
    #[must_use]
    pub fn read(message: &Message) -> Option<Self> {
        use Argument::{Blob, Float, Int, Text};
        Some(match (&*message.address, &*message.arguments) {
            (
                "/node/hello",
                [
                    Int(form),
                    Int(slot),
                    Int(boot),
                    Text(maker),
                    Text(capabilities),
                    Int(controls),
                    Int(lamps),
                    Int(contacts),
                ],
            ) => Self::Hello(Hello {
                form: *form,
                slot: *slot,
                boot: *boot,
                maker: printable(maker),
                capabilities: printable(capabilities),
                controls: *controls,
                lamps: *lamps,
                contacts: *contacts,
            }),
            ("/node/beat", [Int(boot), Int(sequence), Int(uptime_ms), Int(supply_mv), Int(status)]) => {
                Self::Beat(Beat {
                    boot: *boot,
                    sequence: *sequence,
                    uptime_ms: *uptime_ms,
                    supply_mv: *supply_mv,
                    status: *status,
                })
            }
            ("/node/state", [Text(address), Float(value), Int(sequence)]) => {
                Self::State { address: address.clone(), value: *value, sequence: *sequence }
            }
            ("/node/state/end", [Int(token), Int(count), Int(sequence)]) => {
                Self::StateEnd { token: *token, count: *count, sequence: *sequence }
            }
            ("/node/lamps/ask", [Int(_)]) => Self::LampsAsk,
            ("/node/shown", [Text(address), Float(level)]) => Self::Shown { address: address.clone(), level: *level },
            ("/node/contact/shown", [Text(name), Int(state)]) => {
                Self::ContactShown { name: name.clone(), closed: *state != 0 }
            }
            ("/node/shown/end", [Int(token), Int(count)]) => Self::ShownEnd { token: *token, count: *count },
            ("/node/pulse/done", [Text(name), Int(number), Int(width_ms)]) => {
                Self::PulseDone { name: name.clone(), number: *number, width_ms: *width_ms }
            }
            ("/node/raw/begin", [Int(token), Text(address), Int(rate), Int(bits)]) => {
                Self::RawBegin { token: *token, address: address.clone(), rate: *rate, bits: *bits }
            }
            ("/node/raw", [Int(token), Int(index), Int(time), Blob(bytes)]) if bytes.len().is_multiple_of(2) => {
                let samples = bytes.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
                Self::Raw { token: *token, index: *index, time_us: time.cast_unsigned(), samples }
            }
            ("/node/raw/end", [Int(token), Int(sent), Int(missed)]) => {
                Self::RawEnd { token: *token, sent: *sent, missed: *missed }
            }
            ("/node/refused", [Text(address), Text(reason)]) => {
                Self::Refused { address: address.clone(), reason: reason.clone() }
            }
            (address, [Float(value), Int(sequence)]) if !address.starts_with("/node/") => {
                Self::Moved { address: address.to_owned(), value: *value, sequence: *sequence }
            }
            _ => return None,
        })
    }
}

/// What the desk says to a node.
#[derive(Clone, Debug, PartialEq)]
pub enum ToNode<'a> {
    /// Who are you?
    HelloAsk {
        /// That the desk speaks.
        form: i32,
    },
    /// The desk lives, and has heard the node.
    Beat {
        /// One more each time.
        count: i32,
    },
    /// Where does everything stand?
    StateAsk {
        /// Comes back with the end.
        token: i32,
    },
    /// What do the drivers have?
    ShownAsk {
        /// Comes back with the end.
        token: i32,
    },
    /// A lamp, ring or motor.
    Level {
        /// Its address.
        address: &'a str,
        /// 0 to 1.
        level: f32,
    },
    /// A contact that stands.
    Contact {
        /// Its name.
        name: &'a str,
        /// Now.
        closed: bool,
        /// When the desk is lost.
        safe_closed: bool,
    },
    /// A pulse.
    Pulse {
        /// The contact.
        name: &'a str,
        /// The same whenever the same pulse is sent again.
        number: i32,
        /// How long it is closed.
        width_ms: u16,
    },
    /// Raw samples, please.
    RawAsk {
        /// Comes back with every answer.
        token: i32,
        /// Of the control.
        address: &'a str,
        /// Samples a second.
        rate: i32,
        /// For how long.
        ms: i32,
    },
}

impl ToNode<'_> {
    /// The message that says so.
    #[must_use]
    pub fn message(&self) -> Message {
        use Argument::{Float, Int};
        let text = |text: &str| Argument::Text(text.to_owned());
        let (address, arguments) = match *self {
            Self::HelloAsk { form } => ("/node/hello/ask", vec![Int(form)]),
            Self::Beat { count } => ("/node/beat", vec![Int(count)]),
            Self::StateAsk { token } => ("/node/state/ask", vec![Int(token)]),
            Self::ShownAsk { token } => ("/node/shown/ask", vec![Int(token)]),
            Self::Level { address, level } => (address, vec![Float(level)]),
            Self::Contact { name, closed, safe_closed } => {
                ("/node/contact", vec![text(name), Int(closed.into()), Int(safe_closed.into())])
            }
            Self::Pulse { name, number, width_ms } => {
                ("/node/pulse", vec![text(name), Int(number), Int(width_ms.into())])
            }
            Self::RawAsk { token, address, rate, ms } => {
                ("/node/raw/ask", vec![Int(token), text(address), Int(rate), Int(ms)])
            }
        };
        Message { address: address.to_owned(), arguments }
    }
}

/// The number after this one on the wire.
#[must_use]
pub const fn number_after(number: i32) -> i32 {
    if number == i32::MAX { 0 } else { number + 1 }
}

/// How far `number` is ahead of `expected`; less than 0 when it is behind.
const fn ahead(number: i32, expected: i32) -> i64 {
    let apart = (number as i64 - expected as i64).rem_euclid(1 << 31);
    if apart < 1 << 30 { apart } else { apart - (1 << 31) }
}

/// What a link wants done, in order.
#[derive(Clone, Debug, PartialEq)]
pub enum LinkEvent {
    /// This goes to the node.
    Send(Message),
    /// A hand moved a control: the message as a panel that speaks plain OSC says it.
    Moved(Message),
    /// A control stands elsewhere than was known, or was not known; no hand is meant.
    Stands(Message),
    /// The node is there, new or again: its controls are told everything and rejoin.
    Found(String),
    /// The node is gone, and why.
    Lost(String),
    /// For the people who run the desk.
    Note(String),
    /// An answer about raw samples or about what is shown, for whoever asked.
    Answer(FromNode),
}

/// What a link has seen, for whoever shows it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// What the node said of itself, while it is there.
    pub hello: Option<Hello>,
    /// Moves and states that never came.
    pub missed: u64,
    /// Moves and states that came late or twice, and were left out.
    pub late: u64,
    /// Messages that mean nothing here, or that came before a hello.
    pub left_out: u64,
    /// Moves and states taken.
    pub taken: u64,
    /// How often the node was lost.
    pub losses: u64,
    /// Its supply in mV; 0 is not measured.
    pub supply_mv: i32,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Contact {
    closed: bool,
    safe_closed: bool,
    /// Told by pulses only.
    due_ms: Option<u64>,
}

#[derive(Clone, Debug)]
struct Pulse {
    number: i32,
    width_ms: u16,
    tries: u32,
    due_ms: u64,
}

/// A text of the node's as people and logs may see it: on one line, and not too long.
fn printable(text: &str) -> String {
    text.chars().filter(|character| *character == ' ' || character.is_ascii_graphic()).take(TEXT_MAX).collect()
}

/// The link to one node.
#[derive(Clone, Debug)]
pub struct Link {
    /// The slot the rig expects, if it names one.
    slot: Option<u8>,
    /// Addresses of buttons and encoders: a state of theirs never presses.
    buttons: BTreeSet<String>,
    hello: Option<Hello>,
    /// Why the last hello did not fit; said once.
    unfit: Option<String>,
    beat_at_ms: u64,
    hello_due_ms: u64,
    beat_due_ms: u64,
    beat_count: i32,
    /// The sequence number that comes next, once one has come.
    next: Option<i32>,
    /// A full state was asked for: its token, and until when it may come.
    asked: Option<(i32, u64)>,
    /// Something was missed since that question.
    ask_again: bool,
    token: i32,
    /// What every control last said.
    known: BTreeMap<String, f32>,
    lamps: BTreeMap<String, (f32, u64)>,
    contacts: BTreeMap<String, Contact>,
    pulses: BTreeMap<String, Pulse>,
    pulse_number: i32,
    /// Contacts that are no longer ours: told their safe state so often yet, and when next.
    leaving: BTreeMap<String, (bool, u32, u64)>,
    /// When the last new hello was taken.
    hello_at_ms: Option<u64>,
    /// Refusals of the node that people have been told.
    complained: BTreeSet<String>,
    standing: Standing,
}

impl Link {
    /// A link to a node that has not been heard. `first_number` differs from one start of the desk to the next.
    #[must_use]
    pub fn new(slot: Option<u8>, first_number: i32) -> Self {
        Self {
            slot,
            buttons: BTreeSet::new(),
            hello: None,
            unfit: None,
            beat_at_ms: 0,
            hello_due_ms: 0,
            beat_due_ms: 0,
            beat_count: 0,
            next: None,
            asked: None,
            ask_again: false,
            token: 0,
            known: BTreeMap::new(),
            lamps: BTreeMap::new(),
            contacts: BTreeMap::new(),
            pulses: BTreeMap::new(),
            pulse_number: first_number & i32::MAX,
            leaving: BTreeMap::new(),
            hello_at_ms: None,
            complained: BTreeSet::new(),
            standing: Standing::default(),
        }
    }

    /// Which controls are buttons, and which contacts there are: name, safe state, whether it is for pulses. A contact
    /// that is new stands at its safe state until somebody says otherwise.
    pub fn configure(&mut self, buttons: BTreeSet<String>, contacts: &[(String, bool, bool)]) {
        self.buttons = buttons;
        let old = std::mem::take(&mut self.contacts);
        for (name, safe_closed, pulses) in contacts {
            let closed = old.get(name).map_or(*safe_closed, |contact| contact.closed);
            let due_ms = (!pulses).then_some(0);
            self.contacts.insert(name.clone(), Contact { closed, safe_closed: *safe_closed, due_ms });
        }
        // While the desk lives the node does not fail safe by itself: what it is not told any more is told to rest.
        for (name, contact) in old.into_iter().filter(|(_, contact)| contact.due_ms.is_some()) {
            if self.contacts.get(&name).is_none_or(|now| now.due_ms.is_none()) {
                self.leaving.insert(name, (contact.safe_closed, LEAVING_TOLD, 0));
            }
        }
        self.leaving.retain(|name, _| self.contacts.get(name).is_none_or(|now| now.due_ms.is_none()));
    }

    /// What it has seen.
    #[must_use]
    pub fn standing(&self) -> Standing {
        Standing { hello: self.hello.clone(), ..self.standing.clone() }
    }

    /// Whether the node is there.
    #[must_use]
    pub const fn is_up(&self) -> bool {
        self.hello.is_some()
    }

    /// The line was opened (again): ask at once.
    pub fn line_found(&mut self, now_ms: u64) {
        self.hello_due_ms = now_ms;
    }

    /// The line is gone, and the node with it.
    pub fn line_lost(&mut self, why: &str, out: &mut Vec<LinkEvent>) {
        if self.is_up() {
            self.lose(why.to_owned(), out);
        }
    }

    /// Takes what a node said.
    pub fn hear(&mut self, now_ms: u64, message: &Message, out: &mut Vec<LinkEvent>) {
        let Some(said) = FromNode::read(message) else {
            self.standing.left_out += 1;
            return;
        };
        match said {
            FromNode::Hello(hello) => self.hello(now_ms, hello, out),
            FromNode::Beat(beat) => self.beat(now_ms, beat, out),
            _ if !self.is_up() => self.standing.left_out += 1,
            FromNode::Moved { address, value, sequence } => {
                if self.follows(now_ms, sequence, out) {
                    self.remember(&address, value);
                    out.push(LinkEvent::Moved(panel_message(&address, value)));
                }
            }
            FromNode::State { address, value, sequence } => {
                if self.follows(now_ms, sequence, out) {
                    self.state(&address, value, out);
                }
            }
            FromNode::StateEnd { token, .. } => {
                if self.asked.is_some_and(|(asked, _)| asked == token) {
                    self.asked = None;
                    if std::mem::take(&mut self.ask_again) {
                        self.ask_state(now_ms, out);
                    }
                }
            }
            FromNode::LampsAsk => self.tell_all(),
            FromNode::PulseDone { name, number, width_ms } => {
                if self.pulses.get(&name).is_some_and(|pulse| pulse.number == number) {
                    self.pulses.remove(&name);
                    out.push(LinkEvent::Note(format!("contact {name} made its pulse of {width_ms} ms")));
                }
            }
            FromNode::Refused { address, reason } => {
                let complaint = printable(&format!("refuses {address}: {reason}"));
                if self.complained.len() < LAMPS_MAX && self.complained.insert(complaint.clone()) {
                    out.push(LinkEvent::Note(complaint));
                }
            }
            answer => out.push(LinkEvent::Answer(answer)),
        }
    }

    /// Does what time asks for; about every 20 ms.
    pub fn tick(&mut self, now_ms: u64, out: &mut Vec<LinkEvent>) {
        if self.is_up() && now_ms.saturating_sub(self.beat_at_ms) >= LOST_MS {
            self.lose(format!("no heartbeat for {:.1} s", LOST_MS as f64 / 1000.0), out);
        }
        if !self.is_up() {
            if now_ms >= self.hello_due_ms {
                self.hello_due_ms = now_ms + HELLO_ASK_MS;
                send(&ToNode::HelloAsk { form: FORM }, out);
            }
            return;
        }
        if now_ms >= self.beat_due_ms {
            // A tick that came late does not shift those after it.
            self.beat_due_ms = (self.beat_due_ms + BEAT_MS).max(now_ms);
            self.beat_count = number_after(self.beat_count);
            send(&ToNode::Beat { count: self.beat_count }, out);
        }
        if self.asked.is_some_and(|(_, until)| now_ms >= until) {
            self.ask_state(now_ms, out);
        }
        self.repeat(now_ms, out);
    }

    /// The desk had no room for something that was heard: where everything stands is asked for.
    pub fn overrun(&mut self, now_ms: u64, out: &mut Vec<LinkEvent>) {
        if self.is_up() && self.asked.is_none() {
            self.ask_state(now_ms, out);
        } else {
            self.ask_again = true;
        }
    }

    /// Tells a lamp, ring or motor its level, 0 to 1. Says whether it is remembered: there is a bound.
    pub fn level(&mut self, now_ms: u64, address: &str, level: f32, out: &mut Vec<LinkEvent>) -> bool {
        let known = self.lamps.get(address);
        if known.is_none() && self.lamps.len() >= LAMPS_MAX {
            return false;
        }
        #[expect(clippy::float_cmp, reason = "the same number, told again by its turn")]
        if known.is_some_and(|(told, _)| *told == level) {
            return true;
        }
        let due_ms = if self.is_up() {
            send(&ToNode::Level { address, level }, out);
            now_ms + REPEAT_MS
        } else {
            0
        };
        self.lamps.insert(address.to_owned(), (level, due_ms));
        true
    }

    /// Puts a contact that stands into a state.
    ///
    /// # Errors
    /// There is no such contact, or it is for pulses.
    pub fn contact(&mut self, name: &str, closed: bool) -> Result<(), &'static str> {
        let contact = self.contacts.get_mut(name).ok_or("the node has no such contact")?;
        if contact.due_ms.is_none() {
            return Err("the contact makes pulses and has no state");
        }
        (contact.closed, contact.due_ms) = (closed, Some(0));
        Ok(())
    }

    /// The state a contact was last told; nothing for one that makes pulses.
    #[must_use]
    pub fn contact_closed(&self, name: &str) -> Option<bool> {
        self.contacts.get(name).filter(|contact| contact.due_ms.is_some()).map(|contact| contact.closed)
    }

    /// Asks for a pulse.
    ///
    /// # Errors
    /// The node is away, the width is outside [`PULSE_MS`], or a pulse is under way.
    pub fn pulse(
        &mut self,
        now_ms: u64,
        name: &str,
        width_ms: u16,
        out: &mut Vec<LinkEvent>,
    ) -> Result<(), &'static str> {
        if !self.is_up() {
            return Err("the node is away; no pulse is sent late");
        }
        if !PULSE_MS.contains(&width_ms) {
            return Err("a pulse has 20 to 2,000 ms");
        }
        if self.pulses.contains_key(name) {
            return Err("a pulse of this contact is under way");
        }
        self.pulse_number = number_after(self.pulse_number);
        let number = self.pulse_number;
        send(&ToNode::Pulse { name, number, width_ms }, out);
        let due_ms = now_ms + PULSE_AGAIN_MS;
        self.pulses.insert(name.to_owned(), Pulse { number, width_ms, tries: 1, due_ms });
        Ok(())
    }

    fn hello(&mut self, now_ms: u64, hello: Hello, out: &mut Vec<LinkEvent>) {
        let unfit = if hello.form != FORM {
            Some(format!("it speaks form {} of the wire, this desk form {FORM}", hello.form))
        } else {
            let strapped = self.slot.filter(|slot| i32::from(*slot) != hello.slot);
            strapped.map(|slot| format!("it is strapped for slot {}, the rig expects slot {slot} there", hello.slot))
        };
        if unfit.is_some() {
            if let Some(why) = unfit.as_ref().filter(|_| self.unfit != unfit) {
                out.push(LinkEvent::Note(format!("the node is not taken: {why}")));
            }
            self.unfit = unfit;
            return;
        }
        self.unfit = None;
        if self.hello.as_ref().is_some_and(|known| known.boot == hello.boot) {
            self.hello = Some(hello);
            return;
        }
        if self.hello_at_ms.is_some_and(|at_ms| now_ms < at_ms + HELLO_EVERY_MS) {
            self.standing.left_out += 1;
            return;
        }
        self.hello_at_ms = Some(now_ms);
        out.push(LinkEvent::Found(format!(
            "node {} in slot {}: {} controls, {} lamps, {} contacts ({})",
            hello.maker, hello.slot, hello.controls, hello.lamps, hello.contacts, hello.capabilities
        )));
        self.hello = Some(hello);
        if self.standing.losses > 0 && now_ms >= self.beat_at_ms + CONTACTS_KEPT_MS {
            self.rest_contacts(out);
        }
        (self.beat_at_ms, self.beat_due_ms) = (now_ms, now_ms);
        self.next = None;
        // Everything is told anew, but what a button said: a release that was missed has to be known.
        let buttons = &self.buttons;
        self.known.retain(|address, _| buttons.contains(address));
        self.complained.clear();
        self.tell_all();
        self.ask_state(now_ms, out);
        // The beat goes at once: the node is lost without it.
        self.tick(now_ms, out);
    }

    fn beat(&mut self, now_ms: u64, beat: Beat, out: &mut Vec<LinkEvent>) {
        let Some(hello) = &self.hello else {
            self.standing.left_out += 1;
            return;
        };
        if hello.boot != beat.boot {
            self.lose("it has started again".to_owned(), out);
            self.hello_due_ms = now_ms;
            self.tick(now_ms, out);
            return;
        }
        self.beat_at_ms = now_ms;
        self.standing.supply_mv = beat.supply_mv;
        // What the last move said may have been lost without another after it.
        let after = number_after(beat.sequence);
        if let Some(next) = self.next.filter(|next| ahead(after, *next) > 0) {
            self.miss(now_ms, ahead(after, next), out);
            self.next = Some(after);
        }
    }

    fn lose(&mut self, why: String, out: &mut Vec<LinkEvent>) {
        self.hello = None;
        self.asked = None;
        self.ask_again = false;
        self.standing.losses += 1;
        for (name, _) in std::mem::take(&mut self.pulses) {
            out.push(LinkEvent::Note(format!("whether contact {name} made its pulse is not known")));
        }
        out.push(LinkEvent::Lost(why));
    }

    /// Whether a move or state with this number is taken; asks for the state when some are missing before it.
    fn follows(&mut self, now_ms: u64, sequence: i32, out: &mut Vec<LinkEvent>) -> bool {
        let gap = self.next.map_or(0, |next| ahead(sequence, next));
        if gap < 0 {
            self.standing.late += 1;
            return false;
        }
        if gap > 0 {
            self.miss(now_ms, gap, out);
        }
        self.next = Some(number_after(sequence));
        self.standing.taken += 1;
        true
    }

    fn miss(&mut self, now_ms: u64, count: i64, out: &mut Vec<LinkEvent>) {
        self.standing.missed += count.unsigned_abs();
        if self.asked.is_some() {
            self.ask_again = true;
        } else {
            self.ask_state(now_ms, out);
        }
    }

    fn ask_state(&mut self, now_ms: u64, out: &mut Vec<LinkEvent>) {
        self.token = number_after(self.token);
        self.asked = Some((self.token, now_ms + STATE_MS));
        send(&ToNode::StateAsk { token: self.token }, out);
    }

    fn state(&mut self, address: &str, value: f32, out: &mut Vec<LinkEvent>) {
        let known = self.known.get(address).copied();
        let news = known != Some(value);
        // A press that was missed is not made up for: it would come late, and nobody knows of it.
        let buttons = self.buttons.contains(address);
        if news && (!buttons || (value == 0.0 && known.is_some())) {
            out.push(LinkEvent::Stands(panel_message(address, value)));
        }
        self.remember(address, value);
    }

    fn remember(&mut self, address: &str, value: f32) {
        if let Some(known) = self.known.get_mut(address) {
            *known = value;
        } else if self.known.len() < CONTROLS_MAX {
            self.known.insert(address.to_owned(), value);
        }
    }

    /// Brings every contact to its safe state.
    fn rest_contacts(&mut self, out: &mut Vec<LinkEvent>) {
        let moved = self.contacts.iter_mut().filter(|(_, contact)| contact.closed != contact.safe_closed);
        let mut names = Vec::new();
        for (name, contact) in moved {
            contact.closed = contact.safe_closed;
            names.push(&**name);
        }
        if !names.is_empty() {
            let names = names.join(", ");
            out.push(LinkEvent::Note(format!("contacts {names} are at their safe states: the node was away too long")));
        }
    }

    fn tell_all(&mut self) {
        self.lamps.values_mut().for_each(|(_, due_ms)| *due_ms = 0);
        self.contacts.values_mut().filter_map(|contact| contact.due_ms.as_mut()).for_each(|due_ms| *due_ms = 0);
    }

    fn repeat(&mut self, now_ms: u64, out: &mut Vec<LinkEvent>) {
        let mut left = TOLD_IN_A_TICK;
        // Contacts first: a loudspeaker that is not muted is worse than a dark lamp.
        for (name, contact) in &mut self.contacts {
            if left > 0 && contact.due_ms.is_some_and(|due_ms| now_ms >= due_ms) {
                send(&ToNode::Contact { name, closed: contact.closed, safe_closed: contact.safe_closed }, out);
                contact.due_ms = Some(now_ms + REPEAT_MS);
                left -= 1;
            }
        }
        for (name, (safe_closed, tries, due_ms)) in &mut self.leaving {
            if left > 0 && now_ms >= *due_ms {
                send(&ToNode::Contact { name, closed: *safe_closed, safe_closed: *safe_closed }, out);
                (*tries, *due_ms) = (*tries - 1, now_ms + REPEAT_MS);
                left -= 1;
            }
        }
        self.leaving.retain(|_, (_, tries, _)| *tries > 0);
        for _ in 0..left {
            let first = self.lamps.iter_mut().filter(|(_, (_, due_ms))| now_ms >= *due_ms);
            let Some((address, (level, due_ms))) = first.min_by_key(|(_, (_, due_ms))| *due_ms) else { break };
            send(&ToNode::Level { address, level: *level }, out);
            *due_ms = now_ms + REPEAT_MS;
        }
        let mut given_up = Vec::new();
        for (name, pulse) in self.pulses.iter_mut().filter(|(_, pulse)| now_ms >= pulse.due_ms) {
            if pulse.tries == PULSE_TRIES {
                given_up.push(name.clone());
                continue;
            }
            pulse.tries += 1;
            let last = if pulse.tries == PULSE_TRIES { u64::from(pulse.width_ms) } else { 0 };
            pulse.due_ms = now_ms + PULSE_AGAIN_MS + last;
            send(&ToNode::Pulse { name, number: pulse.number, width_ms: pulse.width_ms }, out);
        }
        for name in given_up {
            self.pulses.remove(&name);
            out.push(LinkEvent::Note(format!("contact {name} does not say whether it made its pulse")));
        }
    }
}

fn send(what: &ToNode<'_>, out: &mut Vec<LinkEvent>) {
    out.push(LinkEvent::Send(what.message()));
}

fn panel_message(address: &str, value: f32) -> Message {
    Message { address: address.to_owned(), arguments: vec![Argument::Float(value)] }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn say(address: &str, arguments: Vec<Argument>) -> Message {
        Message { address: address.to_owned(), arguments }
    }

    fn hello(boot: i32, slot: i32) -> Message {
        let text = |text: &str| Argument::Text(text.to_owned());
        let mut arguments = [FORM, slot, boot].map(Argument::Int).to_vec();
        arguments.extend([text("maker"), text("lamps contacts raw")]);
        arguments.extend([3, 1, 1].map(Argument::Int));
        say("/node/hello", arguments)
    }

    fn beat(boot: i32, sequence: i32) -> Message {
        say("/node/beat", [boot, sequence, 0, 5000, 0].map(Argument::Int).to_vec())
    }

    fn moved(address: &str, value: f32, sequence: i32) -> Message {
        say(address, vec![Argument::Float(value), Argument::Int(sequence)])
    }

    fn state(address: &str, value: f32, sequence: i32) -> Message {
        let address = Argument::Text(address.to_owned());
        say("/node/state", vec![address, Argument::Float(value), Argument::Int(sequence)])
    }

    /// A link that is up, at time 0.
    fn up() -> Link {
        let mut link = Link::new(None, 41);
        link.configure(BTreeSet::from(["/button".to_owned()]), &[("start".into(), false, true)]);
        link.hear(0, &hello(7, 5), &mut Vec::new());
        link
    }

    fn hear(link: &mut Link, now_ms: u64, message: &Message) -> Vec<LinkEvent> {
        let mut out = Vec::new();
        link.hear(now_ms, message, &mut out);
        out
    }

    fn tick(link: &mut Link, now_ms: u64) -> Vec<LinkEvent> {
        let mut out = Vec::new();
        link.tick(now_ms, &mut out);
        out
    }

    fn sent(events: &[LinkEvent], address: &str) -> usize {
        events.iter().filter(|event| matches!(event, LinkEvent::Send(message) if message.address == address)).count()
    }

    fn contacts(events: &[LinkEvent], name: &str) -> Vec<(i32, i32)> {
        let told = events.iter().filter_map(|event| match event {
            LinkEvent::Send(Message { address, arguments }) if address == "/node/contact" => Some(&**arguments),
            _ => None,
        });
        told.filter_map(|arguments| match arguments {
            [Argument::Text(of), Argument::Int(now), Argument::Int(safe)] if of == name => Some((*now, *safe)),
            _ => None,
        })
        .collect()
    }

    #[test]
    fn a_contact_rests_after_a_long_loss_and_when_it_leaves_the_rig() {
        for (away_ms, expected) in [(5_000, (0, 1)), (13_000, (1, 1))] {
            let mut link = Link::new(None, 41);
            link.configure(BTreeSet::new(), &[("mute".into(), true, false)]);
            hear(&mut link, 0, &hello(7, 5));
            link.contact("mute", false).expect("it is there");
            assert_eq!(contacts(&tick(&mut link, 10), "mute").last(), Some(&(0, 1)));
            let lost = tick(&mut link, 3_000);
            assert!(lost.iter().any(|event| matches!(event, LinkEvent::Lost(_))), "{lost:?}");
            let back = hear(&mut link, away_ms, &hello(8, 5));
            assert_eq!(contacts(&back, "mute").first(), Some(&expected), "away for {away_ms} ms");
        }
        let mut link = Link::new(None, 41);
        link.configure(BTreeSet::new(), &[("mute".into(), true, false)]);
        hear(&mut link, 0, &hello(7, 5));
        link.contact("mute", false).expect("it is there");
        tick(&mut link, 10);
        link.configure(BTreeSet::new(), &[]);
        let mut told = Vec::new();
        for beat in 1..40 {
            hear(&mut link, beat * 250, &super::tests::beat(7, 0));
            told.extend(contacts(&tick(&mut link, beat * 250 + 1), "mute"));
        }
        assert_eq!(told, [(1, 1); LEAVING_TOLD as usize]);
    }

    #[test]
    fn hellos_without_end_are_told_once_a_second_and_on_one_line() {
        let mut link = Link::new(None, 41);
        let mut found = Vec::new();
        for n in 0..20_000 {
            let mut message = hello(n, 5);
            message.arguments[3] = Argument::Text("evil\u{1b}[2J\nERROR forged".repeat(20));
            for event in hear(&mut link, u64::try_from(n).expect("small"), &message) {
                if let LinkEvent::Found(what) = event {
                    found.push(what);
                }
            }
        }
        assert_eq!(found.len(), 20);
        assert!(found.iter().all(|what| !what.contains(['\n', '\u{1b}']) && what.len() < 250), "{}", found[0]);
    }

    #[test]
    fn a_hello_is_answered_by_a_beat_and_a_question_for_the_state() {
        let mut link = Link::new(Some(5), 1);
        assert_eq!(sent(&tick(&mut link, 0), "/node/hello/ask"), 1);
        assert_eq!(sent(&tick(&mut link, 100), "/node/hello/ask"), 0);
        assert_eq!(hear(&mut link, 110, &moved("/f", 0.5, 1)), [], "nothing counts before a hello");
        let events = hear(&mut link, 120, &hello(7, 5));
        assert!(matches!(&events[0], LinkEvent::Found(what) if what.contains("slot 5")));
        assert_eq!((sent(&events, "/node/beat"), sent(&events, "/node/state/ask")), (1, 1));
        assert_eq!(hear(&mut link, 130, &hello(7, 5)), [], "the same again is no news");
    }

    #[test]
    fn a_node_of_another_slot_or_form_is_named_once_and_gets_no_beat() {
        let mut link = Link::new(Some(5), 1);
        let events = hear(&mut link, 0, &hello(7, 6));
        assert!(matches!(&events[..], [LinkEvent::Note(why)] if why.contains("strapped for slot 6")));
        assert_eq!(hear(&mut link, 1, &hello(7, 6)), []);
        let mut newer = hello(7, 5);
        newer.arguments[0] = Argument::Int(2);
        assert!(matches!(&hear(&mut link, 2, &newer)[..], [LinkEvent::Note(why)] if why.contains("form 2")));
        assert!(!link.is_up() && sent(&tick(&mut link, 600), "/node/beat") == 0);
    }

    #[test]
    fn a_gap_asks_for_the_state_and_what_is_late_is_left_out() {
        let mut link = up();
        let end = |token| say("/node/state/end", [token, 1, 3].map(Argument::Int).to_vec());
        assert_eq!(hear(&mut link, 1, &moved("/f", 0.1, i32::MAX)).len(), 1);
        assert_eq!(hear(&mut link, 2, &moved("/f", 0.2, 0)).len(), 1, "the number after the highest is 0");
        assert_eq!(hear(&mut link, 3, &end(1)), []);
        let events = hear(&mut link, 4, &moved("/f", 0.5, 3));
        assert_eq!((sent(&events, "/node/state/ask"), events.len()), (1, 2));
        assert_eq!(hear(&mut link, 5, &moved("/f", 0.3, 2)), []);
        // The last of all may be missing: the beat tells.
        assert_eq!(hear(&mut link, 6, &end(2)), []);
        assert_eq!(sent(&hear(&mut link, 7, &beat(7, 4)), "/node/state/ask"), 1);
        // A state that does not come is asked for again.
        assert_eq!(sent(&tick(&mut link, 8 + STATE_MS), "/node/state/ask"), 1);
        let Standing { missed, late, .. } = link.standing();
        assert_eq!((missed, late), (3, 1));
    }

    #[test]
    fn a_state_moves_what_differs_and_never_presses_a_button() {
        let mut link = up();
        let stands = |events: Vec<LinkEvent>| matches!(&events[..], [LinkEvent::Stands(_)]);
        assert!(stands(hear(&mut link, 1, &state("/f", 0.5, 1))));
        assert_eq!(hear(&mut link, 2, &state("/f", 0.5, 2)), []);
        assert_eq!(hear(&mut link, 3, &state("/button", 1.0, 3)), [], "held while the desk starts");
        assert!(stands(hear(&mut link, 4, &state("/button", 0.0, 4))), "it may release");
        // A release that was lost with a start of the node is made up for.
        hear(&mut link, 5, &moved("/button", 1.0, 5));
        hear(&mut link, 6, &beat(8, 0));
        assert!(!link.is_up());
        hear(&mut link, HELLO_EVERY_MS, &hello(8, 5));
        assert!(stands(hear(&mut link, HELLO_EVERY_MS + 1, &state("/button", 0.0, 1))));
    }

    #[test]
    fn silence_of_two_seconds_is_a_loss_and_ends_the_beats() {
        let mut link = up();
        assert!(sent(&tick(&mut link, 1900), "/node/beat") == 1 && link.is_up());
        let events = tick(&mut link, 2000);
        assert!(matches!(&events[0], LinkEvent::Lost(_)));
        assert_eq!((sent(&events, "/node/beat"), sent(&events, "/node/hello/ask")), (0, 1));
        let events = hear(&mut link, 2100, &hello(7, 5));
        assert!(matches!(&events[0], LinkEvent::Found(_)), "the same node rejoins as a new one");
    }

    #[test]
    fn lamps_are_told_at_once_and_again_within_two_seconds_each() {
        let mut link = up();
        let names: Vec<String> = (0..LAMPS_MAX).map(|n| format!("/lamp/{n}")).collect();
        let mut out = Vec::new();
        for name in &names {
            assert!(link.level(0, name, 1.0, &mut out));
        }
        assert_eq!(out.len(), LAMPS_MAX);
        let mut last = vec![0; LAMPS_MAX];
        for now in (20..20_000).step_by(20) {
            link.hear(now, &beat(7, 0), &mut Vec::new());
            for event in tick(&mut link, now) {
                let LinkEvent::Send(message) = event else { continue };
                let Some(at) = names.iter().position(|name| *name == message.address) else { continue };
                assert!(now - last[at] <= 2000, "{} after {} ms", names[at], now - last[at]);
                last[at] = now;
            }
        }
        assert!(last.iter().all(|last| *last >= 18_000));
        assert!(!link.level(0, "/lamp/more", 1.0, &mut out), "there is a bound");
    }

    #[test]
    fn a_pulse_is_sent_three_times_with_one_number_and_given_up() {
        let mut link = up();
        let mut out = Vec::new();
        assert!(link.pulse(0, "start", 10, &mut out).is_err());
        link.pulse(0, "start", 200, &mut out).expect("free");
        assert!(link.pulse(0, "start", 200, &mut out).is_err(), "one is under way");
        for now in (20..900).step_by(20) {
            out.extend(tick(&mut link, now));
        }
        let pulses: Vec<&Message> = out
            .iter()
            .filter_map(|event| match event {
                LinkEvent::Send(message) if message.address == "/node/pulse" => Some(message),
                _ => None,
            })
            .collect();
        assert_eq!(pulses.len(), 3);
        assert!(pulses.iter().all(|pulse| *pulse == pulses[0] && pulse.arguments[1] == Argument::Int(42)));
        assert!(out.iter().any(|event| matches!(event, LinkEvent::Note(why) if why.contains("does not say"))));
        // Done in time: nothing is sent again.
        link.pulse(1000, "start", 200, &mut Vec::new()).expect("free");
        let done = say("/node/pulse/done", vec![Argument::Text("start".into()), Argument::Int(43), Argument::Int(201)]);
        assert!(matches!(&hear(&mut link, 1100, &done)[..], [LinkEvent::Note(_)]));
        assert_eq!(sent(&tick(&mut link, 1400), "/node/pulse"), 0);
        assert!(link.contact("start", true).is_err() && link.contact("stop", true).is_err());
    }
}
