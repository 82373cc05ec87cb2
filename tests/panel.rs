//! From wire bytes to gestures and back, as the desk uses it.

use longthrow::panel::encode::{encode_midi, encode_osc};
use longthrow::panel::osc::{self, Argument};
use longthrow::panel::{Action, ControlIndex, Decoder, Gesture, PATIENCE_MS, PortIndex};
use longthrow::params::Law;
use longthrow::profile::{Control, ControlKind, Id, Message, Panel, StepCoding};
use longthrow::units::{Frames, SampleRate, Travel};
use proptest::prelude::*;

const PORT: PortIndex = PortIndex(0);
const UNMAPPED: PortIndex = PortIndex(1);

fn ports() -> Vec<Id> {
    vec!["desk".into(), "spare".into()]
}

fn control(kind: ControlKind, message: Message) -> Control {
    Control {
        id: "it".into(),
        place: String::new(),
        kind,
        port: "desk".into(),
        message,
        calibration: None,
        travel_mm: 100.0,
        feedback: true,
    }
}

fn seven(number: u8) -> Message {
    Message::ControlChange { channel: 0, number }
}

fn pair(number: u8) -> Message {
    Message::ControlChange14 { channel: 0, number }
}

fn nrpn(number: u16) -> Message {
    Message::Nrpn { channel: 0, number }
}

fn osc_of(address: &str, lowest: f32, highest: f32) -> Message {
    Message::Osc { address: address.into(), lowest, highest }
}

fn decoder(controls: Vec<Control>) -> Decoder {
    Decoder::new(&Panel { controls }, &ports(), SampleRate::HZ_48000)
}

fn hex(text: &str) -> Vec<u8> {
    text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("two hex digits")).collect()
}

/// What a decoder says of bytes that all come at frame 0.
fn at_once(decoder: &mut Decoder, bytes: &[u8]) -> Vec<Gesture> {
    let mut out = Vec::new();
    decoder.midi_bytes(PORT, Frames(0), bytes, &mut out);
    out
}

/// The same, and then every waiting half is let go.
fn settled(decoder: &mut Decoder, bytes: &[u8]) -> Vec<Gesture> {
    let mut out = at_once(decoder, bytes);
    while let Some(deadline) = decoder.next_deadline() {
        decoder.tick(deadline, &mut out);
    }
    out
}

fn actions(gestures: &[Gesture]) -> Vec<Action> {
    gestures.iter().map(|gesture| gesture.action).collect()
}

fn travels(gestures: &[Gesture]) -> Vec<f32> {
    let travel = |gesture: &Gesture| match gesture.action {
        Action::Travel(travel) => travel.get(),
        other => panic!("{other:?} is no travel"),
    };
    gestures.iter().map(travel).collect()
}

/// Travels of a single control as whole numbers of 14 bits.
fn fourteen(gestures: &[Gesture]) -> Vec<u16> {
    travels(gestures).iter().map(|travel| (travel * 16_383.0).round() as u16).collect()
}

#[test]
fn a_seven_bit_fader_reaches_both_stops_and_says_a_place_once() {
    let mut fader = decoder(vec![control(ControlKind::Fader, seven(7))]);
    let told = at_once(&mut fader, &hex("B0 07 7F 07 7F B0 07 00 07 00 07 64"));
    assert_eq!(travels(&told), [1.0, 0.0, 100.0 / 127.0]);
    assert_eq!(at_once(&mut fader, &hex("B1 07 10 B0 08 10")), [], "another channel, another controller");
    fader.forget(ControlIndex(0));
    assert_eq!(at_once(&mut fader, &hex("B0 07 64")).len(), 1, "told again once feedback moved it");
}

/// Check values D.pan.midi: MIDI 1.0 Detailed Specification 4.2.1 for 0, 64, 127; an MMA recommended practice between.
#[test]
#[expect(clippy::float_cmp, reason = "the stops and the centre are exact")]
fn a_seven_bit_pan_knob_has_an_exact_centre() {
    for (value, position) in [(0, -1.0), (1, -1.0), (64, 0.0), (127, 1.0)] {
        let mut knob = decoder(vec![control(ControlKind::Knob, seven(10))]);
        assert_eq!(travels(&at_once(&mut knob, &[0xB0, 10, value]))[0] * 2.0 - 1.0, position, "{value}");
    }
}

/// Check values I.cc14: MIDI 1.0 Detailed Specification 4.2.1, control change.
#[test]
fn a_pair_of_controllers_is_fourteen_bits() {
    for (bytes, value) in [("B0 07 64", 12_800), ("B0 07 64 27 32", 12_850), ("B0 07 64 27 32 27 33", 12_851)] {
        let mut fader = decoder(vec![control(ControlKind::Fader, pair(7))]);
        assert_eq!(fourteen(&settled(&mut fader, &hex(bytes))).last(), Some(&value), "{bytes}");
    }
    // The check values read a fine half before any coarse one as 16. As a controller's value that stands; as
    // the place of a fader it would be a drop to the bottom after every restart, so nothing is told.
    let mut fader = decoder(vec![control(ControlKind::Fader, pair(7))]);
    assert_eq!(settled(&mut fader, &hex("B0 27 10")), []);
}

#[test]
fn a_coarse_half_waits_for_its_fine_half() {
    let mut fader = decoder(vec![control(ControlKind::Fader, pair(7))]);
    let mut out = Vec::new();
    // 100:127 to 101:0, the place where a coarse half alone would jump.
    fader.midi_bytes(PORT, Frames(0), &hex("B0 07 64 27 7F"), &mut out);
    fader.midi_bytes(PORT, Frames(1000), &hex("07 65"), &mut out);
    let patience = SampleRate::HZ_48000.frames_in_ms_rounded_up(PATIENCE_MS);
    assert_eq!(fader.next_deadline(), Some(Frames(1000).plus(patience)));
    fader.tick(Frames(1000 + patience.0 - 1), &mut out);
    fader.midi_bytes(PORT, Frames(1000 + patience.0 - 1), &hex("27 00"), &mut out);
    assert_eq!((fourteen(&out), fader.next_deadline()), (vec![12_927, 12_928], None));

    out.clear();
    fader.midi_bytes(PORT, Frames(2000), &hex("07 66"), &mut out);
    assert_eq!(out, []);
    // Bytes of another control that come late let it go just as the clock does.
    fader.midi_bytes(PORT, Frames(2000).plus(patience), &hex("0A 00"), &mut out);
    assert_eq!(fourteen(&out), [102 << 7]);
    // A fine half alone refines what is there; an overtaken coarse half counts alone.
    fader.midi_bytes(PORT, Frames(3000), &hex("27 05 07 67 07 68 27 01"), &mut out);
    assert_eq!(fourteen(&out), [102 << 7, (102 << 7) + 5, 103 << 7, (104 << 7) + 1]);
}

#[test]
fn a_non_registered_number_stays_selected_and_a_registered_one_is_not_it() {
    let mut panel = decoder(vec![
        control(ControlKind::Fader, nrpn(0)),
        control(ControlKind::Fader, nrpn(300)),
        control(ControlKind::Fader, Message::Nrpn { channel: 1, number: 0 }),
    ]);
    let of = |gestures: Vec<Gesture>| gestures.iter().map(|g| (g.control.0, fourteen(&[*g])[0])).collect::<Vec<_>>();
    assert_eq!(of(at_once(&mut panel, &hex("B0 06 40 26 00"))), [], "nothing is selected");
    // 300 is 2:44. Two values under one selection, then only the fine half of the number changes.
    let told = at_once(&mut panel, &hex("B0 63 02 62 2C 06 40 26 01 06 40 26 02 63 00 62 00 06 7F 26 7F"));
    assert_eq!(of(told), [(1, 8193), (1, 8194), (0, 16_383)]);
    // Registered number 0, pitch bend range (check values I.rpn), and the null number.
    assert_eq!(of(settled(&mut panel, &hex("B0 65 00 64 00 06 02 26 00"))), []);
    assert_eq!(of(settled(&mut panel, &hex("B0 62 00 06 02 26 00"))), [], "half a number is none");
    assert_eq!(of(at_once(&mut panel, &hex("63 00 06 02 26 00"))), [(0, 256)]);
    assert_eq!(of(settled(&mut panel, &hex("63 7F 62 7F 06 05 26 05"))), []);
    assert_eq!(of(at_once(&mut panel, &hex("B1 63 00 62 00 06 00 26 03"))), [(2, 3)], "each channel selects alone");
}

/// Check values I.bend.
#[test]
fn pitch_bend_is_one_value_of_fourteen_bits() {
    let mut fader = decoder(vec![control(ControlKind::Fader, Message::PitchBend { channel: 3 })]);
    let told = at_once(&mut fader, &hex("E3 00 00 E3 00 40 E3 7F 7F E4 00 00"));
    assert_eq!(fourteen(&told), [0, 8192, 16_383]);
    assert_eq!((travels(&told)[0], travels(&told)[2]), (0.0, 1.0));
}

#[test]
fn notes_and_programs_press() {
    let note = Message::Note { channel: 0, number: 60 };
    let mut key = decoder(vec![control(ControlKind::Hold, note.clone())]);
    let told = at_once(&mut key, &hex("90 3C 40 3C 00 3C 01 80 3C 40 90 3D 7F"));
    assert_eq!(actions(&told), [Action::Press, Action::Release, Action::Press, Action::Release]);
    let mut key = decoder(vec![control(ControlKind::Momentary, Message::ProgramChange { channel: 0, number: 5 })]);
    assert_eq!(actions(&at_once(&mut key, &hex("C0 05 05 06"))), [Action::Press, Action::Press]);
    let mut fader = decoder(vec![control(ControlKind::Fader, note)]);
    assert_eq!(at_once(&mut fader, &hex("90 3C 40")), [], "a note is no place");
}

/// Check values I.cc.switch: 0 to 63 is off, 64 to 127 is on.
#[test]
fn a_button_is_down_from_64() {
    for kind in [ControlKind::Latching, ControlKind::Hold, ControlKind::Momentary] {
        for value in 0..128 {
            let expected = if value < 64 { Action::Release } else { Action::Press };
            let mut button = decoder(vec![control(kind, seven(20))]);
            assert_eq!(actions(&at_once(&mut button, &[0xB0, 20, value])), [expected], "{value}");
        }
        let mut button = decoder(vec![control(kind, seven(20))]);
        // A ramp through the middle is one press, and one release on the way back.
        let ramp: Vec<u8> = (1..128).chain((1..127).rev()).flat_map(|value| [0xB0, 20, value]).collect();
        assert_eq!(actions(&at_once(&mut button, &ramp)), [Action::Release, Action::Press, Action::Release]);
        let again = actions(&at_once(&mut button, &hex("B0 14 7F 14 7F")));
        assert_eq!(again.len(), if kind == ControlKind::Momentary { 2 } else { 1 }, "{kind:?}");
    }
}

/// Common practice, no source: the three codings as the panel file words them.
#[test]
fn encoders_say_steps() {
    for (coding, bytes) in [
        (StepCoding::TwosComplement, "B0 10 01 10 7F 10 03 10 00"),
        (StepCoding::OffsetBinary, "B0 10 41 10 3F 10 43 10 40"),
        (StepCoding::SignMagnitude, "B0 10 01 10 41 10 03 10 00"),
    ] {
        let mut encoder = decoder(vec![control(ControlKind::Encoder(coding), seven(16))]);
        let told = actions(&at_once(&mut encoder, &hex(bytes)));
        assert_eq!(told, [Action::Steps(1), Action::Steps(-1), Action::Steps(3)], "{coding:?}");
    }
}

#[test]
fn osc_controls_take_numbers_booleans_and_nothing() {
    let encoder = ControlKind::Encoder(StepCoding::TwosComplement);
    let mut panel = decoder(vec![
        control(ControlKind::Fader, osc_of("/panel/f1", -10.0, 30.0)),
        control(ControlKind::Momentary, osc_of("/panel/b1", 0.0, 1.0)),
        control(encoder, osc_of("/panel/e1", 0.0, 1.0)),
        control(ControlKind::Lamp, osc_of("/panel/l1", 0.0, 1.0)),
    ]);
    let at = |travel: f32| Action::Travel(Travel::clamped(travel));
    for (address, argument, ours, expected) in [
        ("/panel/f1", Some(Argument::Float(-10.0)), true, Some(at(0.0))),
        ("/panel/f1", Some(Argument::Int(30)), true, Some(at(1.0))),
        ("/panel/f1", Some(Argument::Float(0.0)), true, Some(at(0.25))),
        ("/panel/f1", Some(Argument::Float(0.0)), true, None),
        ("/panel/f1", Some(Argument::Float(1e30)), true, Some(at(1.0))),
        ("/panel/f1", Some(Argument::Float(f32::NAN)), true, None),
        ("/panel/f1", Some(Argument::Bool(false)), true, Some(at(0.0))),
        ("/panel/f1", Some(Argument::Text("up".into())), true, None),
        ("/panel/f1", None, true, None),
        ("/panel/b1", None, true, Some(Action::Press)),
        ("/panel/b1", Some(Argument::Nothing), true, Some(Action::Press)),
        ("/panel/b1", Some(Argument::Bool(true)), true, Some(Action::Press)),
        ("/panel/b1", Some(Argument::Float(0.0)), true, Some(Action::Release)),
        ("/panel/e1", Some(Argument::Int(-2)), true, Some(Action::Steps(-2))),
        ("/panel/e1", Some(Argument::Int(i32::MIN)), true, Some(Action::Steps(-64))),
        ("/panel/e1", Some(Argument::Float(0.2)), true, None),
        ("/panel/l1", Some(Argument::Float(1.0)), false, None),
        ("/panel/f2", Some(Argument::Float(1.0)), false, None),
    ] {
        let message = osc::Message { address: address.into(), arguments: argument.into_iter().collect() };
        let mut out = Vec::new();
        assert_eq!(panel.osc(PORT, Frames(0), &message, &mut out), ours, "{message:?}");
        assert_eq!(out.first().map(|gesture| gesture.action), expected, "{message:?}");
        assert!(!panel.osc(UNMAPPED, Frames(0), &message, &mut out));
    }
}

#[test]
fn calibration_bends_what_is_read_and_unbends_what_is_sent() {
    let mut worn = control(ControlKind::Fader, seven(7));
    worn.calibration = Law::through(&[(0.05, 0.0), (0.5, 0.75), (0.95, 1.0)]);
    let mut fader = decoder(vec![worn.clone()]);
    assert_eq!(travels(&at_once(&mut fader, &hex("B0 07 7F 07 00"))), [1.0, 0.0]);
    for value in 7..=120_u8 {
        let told = at_once(&mut fader, &[0xB0, 7, value]);
        let Some(Gesture { action: Action::Travel(travel), .. }) = told.first() else { panic!("{value} says nothing") };
        assert_eq!(encode_midi(&worn, *travel).as_slice(), [0xB0, 7, value]);
    }
}

#[test]
fn a_reset_or_a_cut_line_leaves_no_half_behind_and_moves_nothing() {
    let mut panel = decoder(vec![control(ControlKind::Fader, pair(7)), control(ControlKind::Fader, nrpn(0))]);
    let start = hex("B0 63 00 62 00 07 64");
    for cut in [true, false] {
        assert_eq!(at_once(&mut panel, &start), []);
        if cut {
            panel.reset_port(PORT)
        } else {
            assert_eq!(at_once(&mut panel, &[0xFF]), [])
        }
        assert_eq!(panel.next_deadline(), None);
        assert_eq!(settled(&mut panel, &hex("27 01 B0 27 01 06 01 26 01")), []);
    }
    assert_eq!(panel.counts(PORT).stray, 4);
}

#[test]
fn another_panel_keeps_streams_and_what_unchanged_controls_said() {
    let hold = control(ControlKind::Hold, seven(20));
    let fader = control(ControlKind::Fader, seven(7));
    let mut panel = decoder(vec![hold.clone(), fader.clone()]);
    assert_eq!(at_once(&mut panel, &hex("B0 14 7F 07 40")).len(), 2);
    let bent = Control { calibration: Law::through(&[(0.0, 0.0), (0.5, 1.0)]), ..fader };
    panel.set_panel(&Panel { controls: vec![bent, hold] });
    // Running status goes on; the same place is told again where its meaning changed, and the key comes up.
    let told = at_once(&mut panel, &hex("14 7F 07 40 14 00"));
    assert_eq!(told.iter().map(|gesture| gesture.control.0).collect::<Vec<_>>(), [0, 1]);
    assert_eq!(told[1].action, Action::Release);
}

#[test]
fn every_value_comes_back_from_what_feedback_sends() {
    for kind in [ControlKind::Fader, ControlKind::Knob] {
        let bend = Message::PitchBend { channel: 9 };
        for (message, top) in [(seven(7), 127_u16), (pair(7), 16_383), (nrpn(5000), 16_383), (bend, 16_383)] {
            let it = control(kind, message.clone());
            let mut panel = decoder(vec![it.clone()]);
            for value in 0..=top {
                // The number's travel by the rule that the panel's documentation states, then out and back in.
                let lowest = u16::from(kind == ControlKind::Knob);
                let place = f32::from(value.saturating_sub(lowest)) / f32::from(top - lowest);
                let sent = encode_midi(&it, Travel::clamped(place));
                let told = at_once(&mut panel, sent.as_slice());
                // On a knob 0 and 1 are the same place, so nothing new is told.
                if !(lowest == 1 && value == 1) {
                    assert_eq!(travels(&told), [place], "{kind:?} {message:?} {value}");
                }
            }
        }
    }
}

#[test]
fn feedback_is_the_bytes_of_the_specification() {
    let fader = |message| control(ControlKind::Fader, message);
    let lamp = control(ControlKind::Lamp, Message::Note { channel: 1, number: 9 });
    for (control, travel, bytes) in [
        (fader(seven(7)), 1.0, "B0 07 7F"),
        (fader(pair(7)), 12_850.0 / 16_383.0, "B0 07 64 B0 27 32"),
        (fader(nrpn(300)), 1.0, "B0 63 02 B0 62 2C B0 06 7F B0 26 7F"),
        (control(ControlKind::Knob, Message::PitchBend { channel: 0 }), 0.5, "E0 00 40"),
        (lamp.clone(), 1.0, "91 09 7F"),
        (lamp, 0.0, "91 09 00"),
        (control(ControlKind::Momentary, Message::ProgramChange { channel: 0, number: 1 }), 1.0, ""),
    ] {
        assert_eq!(encode_midi(&control, Travel::clamped(travel)).as_slice(), hex(bytes), "{control:?}");
    }
    let it = fader(osc_of("/panel/f1", -10.0, 30.0));
    let sent = encode_osc(&it, Travel::clamped(0.25)).expect("it speaks OSC");
    assert_eq!(sent, osc::Message { address: "/panel/f1".into(), arguments: vec![Argument::Float(0.0)] });
    let widest = fader(osc_of("/panel/f1", f32::MAX, f32::MIN));
    let sent = encode_osc(&widest, Travel::clamped(0.5)).expect("it speaks OSC");
    assert_eq!(sent.arguments, [Argument::Float(0.0)], "a range upside down, and as wide as can be");
    assert_eq!(encode_osc(&fader(seven(7)), Travel::TOP), None);
    assert!(encode_midi(&it, Travel::TOP).as_slice().is_empty());
}

/// A panel with a control for every kind of message on MIDI channel 1, and nothing on the others.
fn full_panel() -> Vec<Control> {
    let fader = |message| control(ControlKind::Fader, message);
    let mut worn = fader(seven(8));
    worn.calibration = Law::through(&[(0.1, 0.0), (0.9, 1.0)]);
    vec![
        fader(seven(7)),
        worn,
        control(ControlKind::Knob, pair(10)),
        fader(nrpn(129)),
        fader(Message::PitchBend { channel: 0 }),
        control(ControlKind::Hold, Message::Note { channel: 0, number: 60 }),
        control(ControlKind::Momentary, Message::ProgramChange { channel: 0, number: 5 }),
        control(ControlKind::Latching, seven(20)),
        control(ControlKind::Encoder(StepCoding::SignMagnitude), seven(16)),
        control(ControlKind::Lamp, seven(21)),
    ]
}

/// Bytes from a fixed seed (xorshift).
fn noise(seed: u64) -> impl Iterator<Item = u8> {
    let mut state = seed;
    std::iter::repeat_with(move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 24) as u8
    })
}

#[test]
fn a_million_random_bytes_move_only_what_is_mapped() {
    let bytes: Vec<u8> = noise(0x9E37_79B9_7F4A_7C15).take(1_000_000).collect();
    let mut panel = decoder(full_panel());
    let mut out = Vec::new();
    let mut heard = [0_usize; 10];
    for (block, bytes) in bytes.chunks(64).enumerate() {
        panel.midi_bytes(UNMAPPED, Frames(block as u64 * 16), bytes, &mut out);
        assert_eq!(out, [], "a port without a mapping");
    }
    for (block, bytes) in bytes.chunks(64).enumerate() {
        panel.midi_bytes(PORT, Frames(block as u64 * 16), bytes, &mut out);
        for gesture in out.drain(..) {
            heard[gesture.control.0] += 1;
            match gesture.action {
                Action::Travel(travel) => assert!((0.0..=1.0).contains(&travel.get()) && gesture.control.0 < 5),
                Action::Steps(steps) => assert!(steps != 0 && steps.abs() <= 64 && gesture.control.0 == 8),
                Action::Press | Action::Release => assert!((5..8).contains(&gesture.control.0)),
            }
        }
    }
    assert!(heard[0] > 0 && heard[4] > 0 && heard[8] > 0 && heard[9] == 0, "{heard:?}");
}

/// Bytes that are mostly of the mapped messages, so that every path is walked.
fn likely_bytes() -> impl Strategy<Value = Vec<u8>> {
    let byte = prop_oneof![
        3 => prop::sample::select(hex("B0 B0 B0 E0 90 80 C0 F8 FE F0 F7 FF")),
        5 => prop::sample::select(hex("07 08 0A 2A 63 62 06 26 14 10 3C 05 01 65 64 7F 40 00")),
        1 => any::<u8>(),
    ];
    prop::collection::vec(byte, 0..200)
}

proptest! {
    #[test]
    fn where_a_stream_is_cut_does_not_matter(bytes in likely_bytes(), cuts in prop::collection::vec(1_usize..9, 1..200)) {
        let mut whole = decoder(full_panel());
        let mut cut = whole.clone();
        let expected = settled(&mut whole, &bytes);
        let mut out = Vec::new();
        let (mut rest, mut sizes) = (&bytes[..], cuts.iter().cycle());
        while let Some(size) = sizes.next().filter(|_| !rest.is_empty()) {
            let (chunk, after) = rest.split_at((*size).min(rest.len()));
            cut.midi_bytes(PORT, Frames(0), chunk, &mut out);
            rest = after;
        }
        out.extend(settled(&mut cut, &[]));
        prop_assert_eq!(out, expected);
        prop_assert_eq!(cut.counts(PORT), whole.counts(PORT));
    }

    /// Whatever is interleaved with it, a pair sent coarse then fine is told as one place.
    #[test]
    fn a_sweep_of_pairs_never_leaves_its_line(values in prop::collection::vec(0_u16..16_384, 1..40), clocks in any::<bool>()) {
        let mut fader = decoder(vec![control(ControlKind::Fader, pair(7))]);
        let mut told = Vec::new();
        for value in &values {
            let (coarse, fine) = ((value >> 7) as u8, (value & 0x7F) as u8);
            let bytes = if clocks { vec![0xB0, 7, 0xF8, coarse, 0xFE, 0x27, fine] } else { vec![0xB0, 7, coarse, 0x27, fine] };
            told.extend(fourteen(&at_once(&mut fader, &bytes)));
        }
        let mut expected = values;
        expected.dedup();
        prop_assert_eq!(told, expected);
    }

    #[test]
    fn osc_feedback_comes_back(place in 0.0_f32..=1.0, lowest in -100.0_f32..0.0, highest in 1.0_f32..100.0) {
        let it = control(ControlKind::Fader, osc_of("/panel/f1", lowest, highest));
        let sent = encode_osc(&it, Travel::clamped(place)).expect("it speaks OSC");
        let mut out = Vec::new();
        prop_assert!(decoder(vec![it]).osc(PORT, Frames(0), &sent, &mut out));
        prop_assert!((travels(&out)[0] - place).abs() < 1e-4, "{} became {:?}", place, out);
    }
}
