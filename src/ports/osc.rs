//! OSC bytes to messages and back, through the `rosc` crate.
//!
//! Every packet passes `panel::osc::scan` first, and rosc sees one message at a time, never a bundle:
//! version 0.11.4 overflows the stack on deep bundles, gives `Ok` with bytes left over after a bad element,
//! drops arguments before an unclosed array and misreads a missing comma.

use crate::panel::osc::{Argument, Group, Message, Part, Refusal, TimeTag, type_tags, walk};
use rosc::{OscBundle, OscMessage, OscPacket, OscType};

/// The messages of a packet, in groups that take effect together, in the order in which their bundles begin.
/// A group without messages is left out, so a legal empty bundle gives nothing.
///
/// # Errors
/// The first fault found; nothing of such a packet is given.
pub fn decode(packet: &[u8]) -> Result<Vec<Group>, Refusal> {
    let mut groups: Vec<(usize, Group)> = Vec::new();
    let mut failed = None;
    walk(packet, &mut |Part { group, time, message }| match decode_message(message) {
        Ok(message) => match groups.iter_mut().rev().find(|(number, _)| *number == group) {
            Some((_, found)) => found.messages.push(message),
            None => groups.push((group, Group { time, messages: vec![message] })),
        },
        Err(refusal) => failed = Some(refusal),
    })?;
    // A bundle's own messages may stand after a bundle inside it.
    groups.sort_by_key(|(number, _)| *number);
    failed.map_or_else(|| Ok(groups.into_iter().map(|(_, group)| group).collect()), Err)
}

/// One message that was found sound.
fn decode_message(bytes: &[u8]) -> Result<Message, Refusal> {
    let Some(tags) = type_tags(bytes) else {
        let address = bytes.split(|byte| *byte == 0).next().unwrap_or_default();
        return Ok(Message { address: String::from_utf8_lossy(address).into_owned(), arguments: Vec::new() });
    };
    let mut bytes = bytes.to_vec();
    // rosc does not know the symbols of OSC 1.0, which are written like strings.
    bytes[tags].iter_mut().filter(|tag| **tag == b'S').for_each(|tag| *tag = b's');
    match rosc::decoder::decode_udp(&bytes) {
        Ok(([], OscPacket::Message(message))) => Ok(Message {
            address: message.addr,
            arguments: message.args.into_iter().map(argument).collect::<Result<_, _>>()?,
        }),
        // The scan and rosc disagree, which the fuzz target looks for.
        _ => Err(Refusal::TypeTags),
    }
}

fn argument(argument: OscType) -> Result<Argument, Refusal> {
    Ok(match argument {
        OscType::Int(number) => Argument::Int(number),
        OscType::Long(number) => Argument::Int(i32::try_from(number).map_err(|_| Refusal::Number)?),
        OscType::Float(number) => Argument::Float(number),
        #[expect(clippy::cast_possible_truncation, reason = "rounded, as said")]
        OscType::Double(number) => Argument::Float(number as f32),
        OscType::String(text) => Argument::Text(text),
        OscType::Char(character) => Argument::Text(character.into()),
        OscType::Bool(on) => Argument::Bool(on),
        OscType::Blob(bytes) => Argument::Blob(bytes),
        OscType::Time(time) => Argument::Blob([time.seconds.to_be_bytes(), time.fractional.to_be_bytes()].concat()),
        OscType::Color(colour) => Argument::Blob(vec![colour.red, colour.green, colour.blue, colour.alpha]),
        OscType::Midi(midi) => Argument::Blob(vec![midi.port, midi.status, midi.data1, midi.data2]),
        OscType::Nil | OscType::Inf => Argument::Nothing,
        OscType::Array(_) => return Err(Refusal::Array),
    })
}

/// The bytes of a message. A text ends at its first zero byte, as OSC's do.
#[must_use]
pub fn encode(message: &Message) -> Vec<u8> {
    bytes(&OscPacket::Message(outgoing(message)))
}

/// The bytes of a bundle of messages that take effect together.
#[must_use]
pub fn encode_bundle(time: TimeTag, messages: &[Message]) -> Vec<u8> {
    let timetag = rosc::OscTime { seconds: (time.0 >> 32) as u32, fractional: time.0 as u32 };
    let content = messages.iter().map(|message| OscPacket::Message(outgoing(message))).collect();
    bytes(&OscPacket::Bundle(OscBundle { timetag, content }))
}

fn bytes(packet: &OscPacket) -> Vec<u8> {
    rosc::encoder::encode(packet).expect("writing to memory does not fail")
}

fn outgoing(message: &Message) -> OscMessage {
    let args = message.arguments.iter().map(|argument| match argument {
        Argument::Int(number) => OscType::Int(*number),
        Argument::Float(number) => OscType::Float(*number),
        Argument::Text(text) => OscType::String(until_zero(text)),
        Argument::Bool(on) => OscType::Bool(*on),
        Argument::Blob(bytes) => OscType::Blob(bytes.clone()),
        Argument::Nothing => OscType::Nil,
    });
    OscMessage { addr: until_zero(&message.address), args: args.collect() }
}

fn until_zero(text: &str) -> String {
    text.split('\0').next().unwrap_or_default().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::panel::osc::{ARGUMENTS_MAX, ELEMENTS_MAX, PACKET_BYTES_MAX, scan};
    use proptest::prelude::*;

    fn hex(text: &str) -> Vec<u8> {
        text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("two hex digits")).collect()
    }

    fn message(address: &str, arguments: Vec<Argument>) -> Message {
        Message { address: address.into(), arguments }
    }

    fn alone(message: Message) -> Vec<Group> {
        vec![Group { time: TimeTag::IMMEDIATE, messages: vec![message] }]
    }

    /// The two examples of the OpenSoundControl Specification 1.0, byte for byte (check values H.msg).
    #[test]
    fn messages_are_the_bytes_of_the_specification() {
        let oscillator = message("/oscillator/4/frequency", vec![Argument::Float(440.0)]);
        let oscillator_bytes =
            hex("2f 6f 73 63 69 6c 6c 61 74 6f 72 2f 34 2f 66 72 65 71 75 65 6e 63 79 00 2c 66 00 00
            43 dc 00 00");
        let foo = message(
            "/foo",
            vec![
                Argument::Int(1000),
                Argument::Int(-1),
                Argument::Text("hello".into()),
                Argument::Float(1.234),
                Argument::Float(5.678),
            ],
        );
        let foo_bytes = hex("2f 66 6f 6f 00 00 00 00 2c 69 69 73 66 66 00 00 00 00 03 e8 ff ff ff ff 68 65 6c 6c 6f 00
            00 00 3f 9d f3 b6 40 b5 b2 2d");
        for (message, bytes) in [(oscillator, oscillator_bytes), (foo, foo_bytes)] {
            assert_eq!(encode(&message), bytes);
            assert_eq!(decode(&bytes), Ok(alone(message)));
        }
    }

    /// Check values H.string, H.tags and H.bundle, from the same specification.
    #[test]
    fn strings_tags_and_bundles_are_padded_and_sized_as_specified() {
        for (text, padded) in [("OSC", "4f 53 43 00"), ("data", "64 61 74 61 00 00 00 00"), ("", "00 00 00 00")] {
            let bytes = encode(&message("/a", vec![Argument::Text(text.into())]));
            assert_eq!(bytes[8..], hex(padded), "{text}");
        }
        let blob = Argument::Blob(vec![1]);
        let bytes = encode(&message("/a", vec![Argument::Int(1), blob.clone(), blob]));
        assert_eq!(bytes[4..9], *b",ibb\0");
        assert_eq!(encode(&message("/a", vec![]))[4..], *b",\0\0\0");

        let pair = [message("/a", vec![Argument::Int(1)]), message("/b", vec![Argument::Float(-0.5)])];
        let bytes =
            hex("23 62 75 6e 64 6c 65 00 00 00 00 00 00 00 00 01 00 00 00 0c 2f 61 00 00 2c 69 00 00 00 00 00 01
            00 00 00 0c 2f 62 00 00 2c 66 00 00 bf 00 00 00");
        assert_eq!(encode_bundle(TimeTag::IMMEDIATE, &pair), bytes);
        assert_eq!(decode(&bytes), Ok(vec![Group { time: TimeTag::IMMEDIATE, messages: pair.into() }]));
        let empty = hex("23 62 75 6e 64 6c 65 00 00 00 00 00 00 00 00 01");
        assert_eq!(decode(&empty), Ok(vec![]));
        assert_eq!(encode_bundle(TimeTag::IMMEDIATE, &[]), empty);
    }

    /// The optional types of the specification and the size of their data (check values H.tags.optional).
    #[test]
    fn every_tag_of_the_specification_takes_its_data() {
        for (tag, data, expected) in [
            (b'h', vec![0, 0, 0, 0, 0, 0, 0, 5], Argument::Int(5)),
            (b't', vec![0, 0, 0, 0, 0, 0, 0, 1], Argument::Blob(vec![0, 0, 0, 0, 0, 0, 0, 1])),
            (b'd', 0.25_f64.to_be_bytes().to_vec(), Argument::Float(0.25)),
            (b'S', b"yes\0".to_vec(), Argument::Text("yes".into())),
            (b'c', vec![0, 0, 0, b'x'], Argument::Text("x".into())),
            (b'r', vec![1, 2, 3, 4], Argument::Blob(vec![1, 2, 3, 4])),
            (b'm', vec![0, 0xB0, 7, 64], Argument::Blob(vec![0, 0xB0, 7, 64])),
            (b'T', vec![], Argument::Bool(true)),
            (b'F', vec![], Argument::Bool(false)),
            (b'N', vec![], Argument::Nothing),
            (b'I', vec![], Argument::Nothing),
        ] {
            let bytes = [&[b'/', b'a', 0, 0, b',', tag, 0, 0], &data[..]].concat();
            assert_eq!(decode(&bytes), Ok(alone(message("/a", vec![expected]))), "{}", char::from(tag));
        }
        // "Accept one with no tag string at all."
        assert_eq!(decode(b"/a\0\0"), Ok(alone(message("/a", vec![]))));
    }

    fn bundle(time: u64, elements: &[&[u8]]) -> Vec<u8> {
        let mut bytes = b"#bundle\0".to_vec();
        bytes.extend(time.to_be_bytes());
        for element in elements {
            bytes.extend(u32::try_from(element.len()).expect("short").to_be_bytes());
            bytes.extend_from_slice(element);
        }
        bytes
    }

    fn nested(depth: usize) -> Vec<u8> {
        (0..depth).fold(b"/a\0\0".to_vec(), |inside, _| bundle(1, &[&inside]))
    }

    /// The first six are check values H.malformed, which follow from the specification's syntax; the others
    /// are the same rules, our bounds, and what rosc 0.11.4 was measured to get wrong.
    #[test]
    fn each_fault_is_refused_by_its_word() {
        let a = b"/a\0\0".as_slice();
        let with = |tags: &[u8], data: &[u8]| [a, tags, data].concat();
        let faults = [
            (hex("2f 61 00"), "length"),
            (hex("61 62 63 00 2c 00 00 00"), "address"),
            (hex("2f 61 00 00 2c 69 00 00"), "data-short"),
            (hex("2f 61 00 00 2c 62 00 00 7f ff ff ff"), "data-short"),
            (hex("23 62 75 6e 64 6c 65 00 00 00 00 00 00 00 00 01 00 00 00 40"), "element-size"),
            (hex("2f 61 00 00 2c 7a 00 00"), "unknown-tag"),
            (vec![], "empty"),
            (vec![b'/'; PACKET_BYTES_MAX + 4], "too-long"),
            (nested(5), "depth"),
            (bundle(1, &vec![a; ELEMENTS_MAX]), "elements"),
            (b"#bundle\0".to_vec(), "element-size"),
            ([bundle(1, &[]), vec![0, 0, 0, 3], a.to_vec()].concat(), "element-size"),
            (bundle(1, &[b""]), "element-size"),
            ([bundle(1, &[a]), vec![0, 0, 0, 8], a.to_vec()].concat(), "element-size"),
            ([bundle(1, &[a]), vec![0, 0]].concat(), "length"),
            (bundle(9, &[&bundle(8, &[a])]), "time-order"),
            (b"/a\x07\0".to_vec(), "address"),
            (b"/a b".to_vec(), "address"),
            (b"/abc".to_vec(), "address"),
            ([b"/".as_slice(), &[b'a'; 255]].concat().into_iter().chain([0; 4]).collect(), "address"),
            (b"/[a\0".to_vec(), "pattern"),
            (b"/a,\0".to_vec(), "pattern"),
            (b"/a\0x".to_vec(), "padding"),
            (with(b"f\0\0\0", &[0; 4]), "type-tags"),
            (with(b",fff", &[]), "type-tags"),
            (with(b",[i]\0\0\0\0", &[0; 4]), "array"),
            (with(b",i[\0", &[0; 4]), "array"),
            (with(&[b",".as_slice(), &[b'T'; ARGUMENTS_MAX + 1], &[0; 2]].concat(), &[]), "arguments"),
            (with(b",i\0\0", &[0; 8]), "data-left"),
            (with(b",\0\0\0", &[0; 4]), "data-left"),
            (with(b",s\0\0", b"abcd"), "data-short"),
            (with(b",s\0\0", &[0xFF, 0, 0, 0]), "text"),
            (with(b",c\0\0", &[0, 0, 0xD8, 0]), "text"),
            (with(b",c\0\0", &[0; 4]), "text"),
            (with(b",b\0\0", &[0, 0, 0, 1, 5, 5, 0, 0]), "padding"),
            (with(b",f\0\0", &f32::NAN.to_be_bytes()), "number"),
            (with(b",f\0\0", &f32::INFINITY.to_be_bytes()), "number"),
            (with(b",d\0\0", &1e300_f64.to_be_bytes()), "number"),
            (with(b",h\0\0", &[0, 0, 0, 1, 0, 0, 0, 0]), "number"),
        ];
        for (bytes, word) in &faults {
            assert_eq!(decode(bytes).map_err(Refusal::word), Err(*word), "{bytes:02x?}");
            // And whole packets with them: one bad message refuses its neighbours too.
            let around = bundle(1, &[a, bytes]);
            if bytes.len() < 4000 {
                assert!(decode(&around).is_err(), "{bytes:02x?}");
            }
        }
        for refusal in Refusal::ALL {
            assert!(faults.iter().any(|(_, word)| *word == refusal.word()), "{refusal:?} is not tried");
        }
        assert!(decode(&nested(4)).is_ok() && decode(&bundle(1, &vec![a; ELEMENTS_MAX - 1])).is_ok());
    }

    #[test]
    fn a_bundle_inside_another_is_a_group_of_its_own() {
        let names = |packet: &[u8]| {
            let groups = decode(packet).expect("sound");
            groups
                .iter()
                .map(|group| (group.time.0, group.messages.iter().map(|m| m.address.clone()).collect::<String>()))
                .collect::<Vec<_>>()
        };
        let inner = bundle(7, &[b"/b\0\0", b"/c\0\0"]);
        let packet = bundle(5, &[b"/a\0\0", &inner, b"/d\0\0", &bundle(5, &[&bundle(6, &[b"/e\0\0"])])]);
        assert_eq!(names(&packet), [(5, "/a/d".into()), (7, "/b/c".into()), (6, "/e".into())]);
        // Its own messages may come after the inner bundle, and its group is still the earlier one.
        assert_eq!(names(&bundle(5, &[&inner, b"/a\0\0"])), [(5, "/a".into()), (7, "/b/c".into())]);
    }

    #[test]
    fn a_zero_byte_ends_a_text_that_goes_out() {
        let bytes = encode(&message("/a\0b", vec![Argument::Text("c\0d".into())]));
        assert_eq!(decode(&bytes), Ok(alone(message("/a", vec![Argument::Text("c".into())]))));
    }

    fn any_argument() -> impl Strategy<Value = Argument> {
        prop_oneof![
            any::<i32>().prop_map(Argument::Int),
            (-1e30_f32..1e30).prop_map(Argument::Float),
            "[^\0]{0,9}".prop_map(Argument::Text),
            any::<bool>().prop_map(Argument::Bool),
            proptest::collection::vec(any::<u8>(), 0..9).prop_map(Argument::Blob),
            Just(Argument::Nothing),
        ]
    }

    fn any_message() -> impl Strategy<Value = Message> {
        ("/[a-z]{1,9}(/[a-z0-9-]{1,9}){0,3}", proptest::collection::vec(any_argument(), 0..9))
            .prop_map(|(address, arguments)| Message { address, arguments })
    }

    proptest! {
        #[test]
        fn what_goes_out_comes_back(messages in proptest::collection::vec(any_message(), 1..5), time in any::<u64>()) {
            let time = TimeTag(time);
            prop_assert_eq!(decode(&encode(&messages[0])), Ok(alone(messages[0].clone())));
            prop_assert_eq!(decode(&encode_bundle(time, &messages)), Ok(vec![Group { time, messages }]));
        }

        /// What the scan lets through, rosc reads; what it refuses is never read at all.
        #[test]
        fn the_scan_and_rosc_agree_on_damaged_packets(
            messages in proptest::collection::vec(any_message(), 1..5),
            damage in proptest::collection::vec((any::<proptest::sample::Index>(), any::<u8>()), 0..4),
            cut in 0_usize..3,
        ) {
            let mut packet = encode_bundle(TimeTag::IMMEDIATE, &messages);
            for (place, byte) in damage {
                let place = place.index(packet.len());
                packet[place] = byte;
            }
            packet.truncate(packet.len() - cut * 4);
            prop_assert_eq!(decode(&packet).map(|_| ()), scan(&packet));
        }
    }
}
