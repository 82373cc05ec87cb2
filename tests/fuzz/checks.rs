//! What must hold for any bytes at all: one function for each fuzz target, used by the fuzzer and by the replay
//! in `tests/fuzz_corpus.rs`.
//!
//! To look for more, in this folder: `mkdir -p target/new && cargo +nightly fuzz run --fuzz-dir . osc target/new
//! corpus/osc` (or `midi`, `toml`). What it finds is committed to `corpus/<target>/` under a name that says what it is.

#![allow(dead_code, reason = "each fuzz target uses one of the three")]

use longthrow::panel::osc::{Argument, PACKET_BYTES_MAX, Pattern, Refusal, is_pattern, scan};
use longthrow::panel::{Action, Decoder, Gesture, PortIndex};
use longthrow::params::Law;
use longthrow::ports::osc::{decode, encode};
use longthrow::profile::{
    Control, ControlKind, Diagnostic, FileKind, Id, Message, Panel, Source, StepCoding, read_panel, read_profile,
    read_rig,
};
use longthrow::units::{Frames, SampleRate};

/// A datagram is refused before rosc sees it or read whole; what was read goes out and comes back the same.
pub(crate) fn osc(packet: &[u8]) {
    let groups = decode(packet);
    assert_eq!(groups.as_ref().map(|_| ()).map_err(|refusal: &Refusal| *refusal), scan(packet));
    let mut decoder = decoder();
    for message in groups.iter().flatten().flat_map(|group| &group.messages) {
        let again = encode(message);
        if again.len() <= PACKET_BYTES_MAX {
            assert_eq!(decode(&again).map(|groups| groups[0].messages.clone()), Ok(vec![message.clone()]));
        }
        for number in message.arguments.iter() {
            assert!(!matches!(number, Argument::Float(number) if !number.is_finite()));
        }
        let pattern = Pattern::parse(&message.address).expect("a sound address is a pattern");
        assert!(is_pattern(&message.address) || pattern.matches(&message.address));
        let _ends = pattern.matches("/channel/lectern/fader");
        let mut out = Vec::new();
        decoder.osc(PortIndex(0), Frames(0), message, &mut out);
        out.iter().for_each(in_range);
    }
}

/// A stream of bytes says the same however it is cut, within range, and only of mapped controls; it leaves
/// nothing waiting for ever. The first byte says how long the cuts are.
pub(crate) fn midi(bytes: &[u8]) {
    let Some((size, bytes)) = bytes.split_first() else { return };
    let (mut whole, mut cut) = (decoder(), decoder());
    let (mut expected, mut found) = (Vec::new(), Vec::new());
    whole.midi_bytes(PortIndex(0), Frames(0), bytes, &mut expected);
    for chunk in bytes.chunks(usize::from(*size).max(1)) {
        cut.midi_bytes(PortIndex(0), Frames(0), chunk, &mut found);
    }
    for (decoder, out) in [(&mut whole, &mut expected), (&mut cut, &mut found)] {
        if let Some(deadline) = decoder.next_deadline() {
            decoder.tick(deadline, out);
        }
        assert_eq!(decoder.next_deadline(), None);
    }
    assert_eq!(found, expected);
    assert_eq!(whole.counts(PortIndex(0)), cut.counts(PortIndex(0)));
    found.iter().for_each(in_range);
    found.clear();
    whole.midi_bytes(PortIndex(1), Frames(0), bytes, &mut found);
    assert!(found.is_empty(), "a port without a mapping");
}

/// Any bytes are a sound file of each kind, or mistakes with a place each.
pub(crate) fn toml(text: &[u8]) {
    let source = match Source::from_bytes("fuzz", text.to_vec()) {
        Ok(source) => source,
        Err(diagnostic) => return check_place(&diagnostic),
    };
    let _kind = FileKind::of(&source.text);
    let diagnostics = [read_rig(vec![source.clone()]).1, read_panel(source.clone()).1, read_profile(source).1];
    diagnostics.iter().flatten().for_each(check_place);
}

/// A diagnostic can be drawn, and says where.
fn check_place(diagnostic: &Diagnostic) {
    assert!(diagnostic.primary.line > 0 && diagnostic.primary.column > 0, "{diagnostic}");
}

fn in_range(gesture: &Gesture) {
    match gesture.action {
        Action::Travel(travel) => assert!((0.0..=1.0).contains(&travel.get())),
        Action::Steps(steps) => assert!(steps != 0 && steps.abs() <= 64),
        Action::Press | Action::Release => {}
    }
    assert_ne!(gesture.control.0, 0, "a lamp never moves");
}

/// A control of every kind on MIDI channel 1 and OSC `/a` to `/c`; the first is a lamp on the first fader's message.
fn decoder() -> Decoder {
    let control = |kind, message| Control {
        id: "it".into(),
        place: String::new(),
        kind,
        port: "desk".into(),
        message,
        calibration: (kind == ControlKind::Knob).then(|| Law::through(&[(0.1, 0.0), (0.9, 1.0)])).flatten(),
        travel_mm: 100.0,
        feedback: true,
    };
    let seven = |number| Message::ControlChange { channel: 0, number };
    let osc = |address: &str| Message::Osc { address: address.into(), lowest: -10.0, highest: 10.0 };
    let controls = vec![
        control(ControlKind::Lamp, seven(7)),
        control(ControlKind::Fader, seven(7)),
        control(ControlKind::Knob, Message::ControlChange14 { channel: 0, number: 10 }),
        control(ControlKind::Fader, Message::Nrpn { channel: 0, number: 129 }),
        control(ControlKind::Fader, Message::PitchBend { channel: 0 }),
        control(ControlKind::Hold, Message::Note { channel: 0, number: 60 }),
        control(ControlKind::Momentary, Message::ProgramChange { channel: 0, number: 5 }),
        control(ControlKind::Latching, seven(20)),
        control(ControlKind::Encoder(StepCoding::TwosComplement), seven(16)),
        control(ControlKind::Fader, osc("/a")),
        control(ControlKind::Momentary, osc("/b")),
        control(ControlKind::Encoder(StepCoding::OffsetBinary), osc("/c")),
    ];
    let ports: [Id; 2] = ["desk".into(), "spare".into()];
    Decoder::new(&Panel { controls }, &ports, SampleRate::HZ_48000)
}
