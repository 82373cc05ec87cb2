//! Reads the panel: every control, what it says on the wire, how worn it is.

use super::cursor::{self, Table, Thing, finite, flag, list, points, text, text_not_empty, unusable, whole, word};
use super::diagnostic::Code;
use super::log::{Log, Place};
use super::model::{Control, ControlKind, Message, Panel, StepCoding};
use super::rig::RigNames;
use super::text::{Node, Tree};
use std::collections::BTreeMap;

const CONTROLS_MAX: usize = 1024;
/// Faders that are built, and the usual one (common practice, no source).
const TRAVEL_MM: (f32, f32) = (10.0, 200.0);
const TRAVEL_MM_DEFAULT: f32 = 100.0;

/// Controls with their kind, where it is known: what the profile needs to know of a panel.
pub(super) type ControlKinds = BTreeMap<String, Option<ControlKind>>;

/// Reads a panel; with the names of a rig also what it says of the rig.
pub(super) fn read(tree: &Tree, text: usize, rig: Option<&RigNames>, log: &mut Log) -> (Panel, ControlKinds) {
    let mut top = Table::root(tree, text, "the panel");
    cursor::head(&mut top, "panel", log);
    let mut kinds = ControlKinds::new();
    let mut controls = Vec::new();
    for thing in top.things("control", CONTROLS_MAX, log) {
        let (id, at) = (thing.id, thing.at);
        let (kind, control) = control(thing, rig, log);
        kinds.insert(id.to_owned(), kind);
        controls.extend(control.map(|control| (control, at)));
    }
    top.finish(log);
    same_messages(&controls, log);
    (Panel { controls: controls.into_iter().map(|(control, _)| control).collect() }, kinds)
}

fn control(thing: Thing<'_>, rig: Option<&RigNames>, log: &mut Log) -> (Option<ControlKind>, Option<Control>) {
    // The coding of an encoder is read with its other keys.
    const KINDS: [(&str, ControlKind); 7] = [
        ("fader", ControlKind::Fader),
        ("knob", ControlKind::Knob),
        ("encoder", ControlKind::Encoder(StepCoding::TwosComplement)),
        ("momentary", ControlKind::Momentary),
        ("hold", ControlKind::Hold),
        ("latching", ControlKind::Latching),
        ("lamp", ControlKind::Lamp),
    ];
    let Thing { id, mut table, .. } = thing;
    let accepted = list(KINDS.iter().map(|(word, _)| *word));
    let kind_node = table.need("kind", &accepted, log);
    let kind = kind_node.and_then(|node| word(node, "kind", &KINDS, log));
    let place = table.get("place").map_or(Some(String::new()), |node| text(node, "place", log));
    let port = table.need("port", "a control port of the rig", log).and_then(|node| port(node, rig, log));
    let wire = message(&mut table, log);
    if let (Some(kind), Some((message, node))) = (kind, &wire)
        && let Some(help) = misfit(kind, message)
    {
        let label = format!("{}; this control is a {}", log.found(node.at), kind_word(kind));
        log.error(Code::P04, node.at, "this kind of control cannot say this message", label).help(help);
    }
    if let (Some((port, Some(osc), place)), Some((message, node))) = (&port, &wire)
        && *osc != matches!(message, Message::Osc { .. })
    {
        let carries = if *osc { "OSC" } else { "MIDI" };
        let label = format!("{}; \"{port}\" carries {carries}", log.found(node.at));
        log.error(Code::P05, node.at, "the control port does not carry this message", label)
            .also(*place, "the port is named here")
            .help("name a port that carries it, or another message");
    }
    let kind = coding(kind, &mut table, log);
    let calibration = table.get("calibration").map(|node| {
        if let Some(kind) = kind.filter(|kind| !matches!(kind, ControlKind::Fader | ControlKind::Knob)) {
            let label = format!("this control is a {}", kind_word(kind));
            log.error(Code::P04, node.key_at, "only a fader or a knob has a calibration", label)
                .help("remove the line");
        }
        points(node, "calibration", 0.0, 1.0, Code::P03, log)
    });
    let feedback_node = table.get("feedback");
    let feedback = feedback_node.map(|node| flag(node, "feedback", log));
    if let (Some(ControlKind::Lamp), Some(node), Some(Some(false))) = (kind, feedback_node, feedback) {
        log.error(Code::P04, node.at, "a lamp without feedback shows nothing", "false; accepted: true")
            .help("remove the line; a lamp always has feedback");
    }
    let travel_mm = table.get("travel_mm").map(|node| {
        let fits = |mm: &f32| (TRAVEL_MM.0..=TRAVEL_MM.1).contains(mm);
        let found = finite(node, "travel_mm", log)?;
        if !fits(&found) {
            let label = format!("{found} mm; accepted: {} to {} mm", TRAVEL_MM.0, TRAVEL_MM.1);
            log.error(Code::P03, node.at, "no fader is so long", label).help("measure it from stop to stop");
        }
        fits(&found).then_some(found)
    });
    table.finish(log);
    let control = (|| {
        let kind = kind?;
        Some(Control {
            id: id.into(),
            place: place?,
            kind,
            port: port?.0.into(),
            message: wire?.0,
            calibration: match calibration {
                Some(points) => Some(points?),
                None => None,
            },
            travel_mm: travel_mm.unwrap_or(Some(TRAVEL_MM_DEFAULT))?,
            feedback: feedback.unwrap_or(Some(kind == ControlKind::Lamp))?,
        })
    })();
    (kind, control)
}

fn kind_word(kind: ControlKind) -> &'static str {
    match kind {
        ControlKind::Fader => "fader",
        ControlKind::Knob => "knob",
        ControlKind::Encoder(_) => "encoder",
        ControlKind::Momentary => "momentary button",
        ControlKind::Hold => "hold button",
        ControlKind::Latching => "latching button",
        ControlKind::Lamp => "lamp",
    }
}

/// The port's name and, where the rig tells, whether it carries OSC.
fn port(node: &Node, rig: Option<&RigNames>, log: &mut Log) -> Option<(String, Option<bool>, Place)> {
    let name = text_not_empty(node, "port", log)?;
    let Some(rig) = rig else { return Some((name, None, node.at)) };
    match rig.control_ports.get(&name) {
        Some(osc) => Some((name, *osc, node.at)),
        None => {
            let headline = format!("the rig has no control port \"{name}\"");
            cursor::unknown_name(
                Code::P01,
                node.at,
                headline,
                &name,
                rig.control_ports.keys().map(|port| &**port),
                log,
            );
            None
        }
    }
}

/// The message with the node of its name.
fn message<'t>(table: &mut Table<'t>, log: &mut Log) -> Option<(Message, &'t Node)> {
    #[derive(Clone, Copy)]
    enum Kind {
        ControlChange,
        ControlChange14,
        Nrpn,
        PitchBend,
        Note,
        ProgramChange,
        Osc,
    }
    const KINDS: [(&str, Kind); 7] = [
        ("control-change", Kind::ControlChange),
        ("control-change-14", Kind::ControlChange14),
        ("nrpn", Kind::Nrpn),
        ("pitch-bend", Kind::PitchBend),
        ("note", Kind::Note),
        ("program-change", Kind::ProgramChange),
        ("osc", Kind::Osc),
    ];
    let accepted = list(KINDS.iter().map(|(word, _)| *word));
    let node = table.need("message", &accepted, log);
    let Some(kind) = node.and_then(|node| word(node, "message", &KINDS, log)) else {
        for key in ["channel", "number", "address", "lowest", "highest"] {
            table.get(key);
        }
        return None;
    };
    let message = if let Kind::Osc = kind {
        let accepted = "a whole OSC address, as \"/panel/f1\"";
        let address = table.need("address", accepted, log).and_then(|node| {
            let address = text(node, "address", log)?;
            let sound = address.starts_with('/')
                && address.len() > 1
                && address.bytes().all(|byte| byte.is_ascii_graphic() && !b"#*,?[]{}".contains(&byte));
            if !sound {
                unusable(node.at, "address", accepted, log);
            }
            sound.then_some(address)
        });
        let lowest = table.get("lowest").map_or(Some(0.0), |node| finite(node, "lowest", log));
        let highest_node = table.get("highest");
        let highest = highest_node.map_or(Some(1.0), |node| finite(node, "highest", log));
        #[expect(clippy::float_cmp, reason = "only the very same number leaves no way between the two")]
        if let (Some(lowest), Some(highest)) = (lowest, highest)
            && lowest == highest
        {
            let place = highest_node.map_or(table.at, |node| node.at);
            log.error(
                Code::F12,
                place,
                "\"highest\" is the same as \"lowest\"",
                format!("{highest}; both are the same"),
            )
            .help("lowest is what the control sends at its bottom stop, highest at its top");
            return None;
        }
        Message::Osc { address: address?, lowest: lowest?, highest: highest? }
    } else {
        let channel = table
            .need("channel", "1 to 16", log)
            .and_then(|node| whole::<u8>(node, "channel", 1, 16, log))
            .map(|channel| channel - 1);
        let highest = match kind {
            Kind::ControlChange14 => 31,
            Kind::Nrpn => 16_383,
            _ => 127,
        };
        if let Kind::PitchBend = kind {
            Message::PitchBend { channel: channel? }
        } else {
            let number = table
                .need("number", &format!("0 to {highest}"), log)
                .and_then(|node| whole::<u16>(node, "number", 0, highest, log));
            let (channel, wide) = (channel?, number?);
            let number = u8::try_from(wide).unwrap_or(u8::MAX);
            match kind {
                Kind::ControlChange14 => Message::ControlChange14 { channel, number },
                Kind::Nrpn => Message::Nrpn { channel, number: wide },
                Kind::Note => Message::Note { channel, number },
                Kind::ProgramChange => Message::ProgramChange { channel, number },
                _ => Message::ControlChange { channel, number },
            }
        }
    };
    Some((message, node?))
}

/// What to do when a kind of control cannot say a message.
fn misfit(kind: ControlKind, message: &Message) -> Option<&'static str> {
    let (fits, help) = match kind {
        ControlKind::Fader | ControlKind::Knob => (
            !matches!(message, Message::Note { .. } | Message::ProgramChange { .. }),
            "a fader or knob sends control-change, control-change-14, nrpn, pitch-bend or osc",
        ),
        ControlKind::Encoder(_) => (
            matches!(message, Message::ControlChange { .. }),
            "an encoder sends control-change; one that sends places instead of steps is a knob",
        ),
        ControlKind::Momentary => (
            !matches!(message, Message::ControlChange14 { .. } | Message::Nrpn { .. } | Message::PitchBend { .. }),
            "a momentary button sends note, control-change, program-change or osc",
        ),
        ControlKind::Hold | ControlKind::Latching | ControlKind::Lamp => (
            matches!(message, Message::Note { .. } | Message::ControlChange { .. } | Message::Osc { .. }),
            "hold and latching buttons and lamps use note, control-change or osc",
        ),
    };
    (!fits).then_some(help)
}

/// The kind of control with the coding of an encoder's steps.
fn coding(kind: Option<ControlKind>, table: &mut Table<'_>, log: &mut Log) -> Option<ControlKind> {
    const CODINGS: [(&str, StepCoding); 3] = [
        ("twos-complement", StepCoding::TwosComplement),
        ("offset-binary", StepCoding::OffsetBinary),
        ("sign-magnitude", StepCoding::SignMagnitude),
    ];
    let encoder = matches!(kind, Some(ControlKind::Encoder(_)));
    let accepted = list(CODINGS.iter().map(|(word, _)| *word));
    let node = if encoder { table.need("coding", &accepted, log) } else { table.get("coding") };
    let Some(node) = node else { return if encoder { None } else { kind } };
    let coding = word(node, "coding", &CODINGS, log);
    if encoder {
        return coding.map(ControlKind::Encoder);
    }
    if let Some(kind) = kind {
        let label = format!("this control is a {}", kind_word(kind));
        log.error(Code::P04, node.key_at, "only an encoder has a coding", label).help("remove the line");
    }
    kind
}

/// Two controls with one message could not be told apart: neither when they speak, nor when they are told.
fn same_messages(controls: &[(Control, Place)], log: &mut Log) {
    let mut heard: BTreeMap<(&str, Wire), &(Control, Place)> = BTreeMap::new();
    let mut told = heard.clone();
    for this in controls {
        let (control, place) = this;
        let mut ways = Vec::new();
        if control.kind != ControlKind::Lamp {
            ways.push(&mut heard);
        }
        if control.feedback {
            ways.push(&mut told);
        }
        let mut first = None;
        for seen in ways {
            for wire in wires(&control.message) {
                let earlier = *seen.entry((&control.port, wire)).or_insert(this);
                // Any number of NRPNs share the controllers that carry them.
                let both_nrpn =
                    matches!((&control.message, &earlier.0.message), (Message::Nrpn { .. }, Message::Nrpn { .. }))
                        && matches!(wire, Wire::Controller(..));
                if earlier.0.id != control.id && !both_nrpn {
                    first = first.or(Some(earlier));
                }
            }
        }
        if let Some((first, first_place)) = first {
            let label = format!("\"{}\" says what \"{}\" says", control.id, first.id);
            log.error(Code::P02, *place, "two controls have the same message", label)
                .also(*first_place, format!("\"{}\" stands here", first.id))
                .help("give one of them another number, channel, address or port");
        }
    }
}

/// What a message occupies on its port.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Wire<'m> {
    Controller(u8, u8),
    Nrpn(u8, u16),
    PitchBend(u8),
    Note(u8, u8),
    Program(u8, u8),
    Osc(&'m str),
}

fn wires(message: &Message) -> Vec<Wire<'_>> {
    match *message {
        Message::ControlChange { channel, number } => vec![Wire::Controller(channel, number)],
        Message::ControlChange14 { channel, number } => {
            vec![Wire::Controller(channel, number), Wire::Controller(channel, number + 32)]
        }
        // Data entry coarse and fine, increment, decrement, and the number itself: MIDI 1.0, table of controllers.
        Message::Nrpn { channel, number } => [6, 38, 96, 97, 98, 99]
            .into_iter()
            .map(|controller| Wire::Controller(channel, controller))
            .chain([Wire::Nrpn(channel, number)])
            .collect(),
        Message::PitchBend { channel } => vec![Wire::PitchBend(channel)],
        Message::Note { channel, number } => vec![Wire::Note(channel, number)],
        Message::ProgramChange { channel, number } => vec![Wire::Program(channel, number)],
        Message::Osc { ref address, .. } => vec![Wire::Osc(address)],
    }
}
