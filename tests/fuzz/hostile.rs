//! Hostile OSC datagrams from a fixed seed: half of them random or built to offend, half mutated from valid traffic.
//! Every reason for a refusal comes up often.

use longthrow::panel::osc::{Argument, Message, TimeTag};
use longthrow::ports::osc::{encode, encode_bundle};

/// Numbers from a seed (xorshift; Marsaglia 2003). The seed is not 0.
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// A number below `end`, which is not 0.
    pub(crate) fn below(&mut self, end: usize) -> usize {
        (self.next() >> 16) as usize % end
    }

    fn bytes(&mut self, length: usize) -> Vec<u8> {
        (0..length).map(|_| (self.next() >> 24) as u8).collect()
    }

    fn pick<'a, T>(&mut self, from: &'a [T]) -> &'a T {
        &from[self.below(from.len())]
    }
}

/// Endless hostile datagrams, none longer than a UDP datagram can be.
pub(crate) fn datagrams(seed: u64) -> impl Iterator<Item = Vec<u8>> {
    let mut random = Random(seed);
    (0_usize..).map(move |count| if count % 2 == 0 { offence(&mut random) } else { mutation(&mut random) })
}

/// One packet as an honest sender would send it.
fn valid(random: &mut Random) -> Vec<u8> {
    let message = |random: &mut Random| {
        let scope = ["channel", "bus", "output", "panel"][random.below(4)];
        let address = format!("/{scope}/{}/fader", ["lectern", "stage", "*", "{lectern,stage}"][random.below(4)]);
        let arguments = (0..random.below(4)).map(|_| match random.below(5) {
            0 => Argument::Int(random.next() as i32),
            1 => Argument::Float(random.below(1000) as f32 / 10.0 - 90.0),
            2 => Argument::Text("off".into()),
            3 => Argument::Blob(random.bytes(7)),
            _ => Argument::Bool(true),
        });
        Message { arguments: arguments.collect(), address }
    };
    if random.below(2) == 0 {
        encode(&message(random))
    } else {
        let messages: Vec<_> = (0..random.below(6)).map(|_| message(random)).collect();
        encode_bundle(TimeTag(1 + random.next() % 2), &messages)
    }
}

/// A valid packet with up to four things done to it.
fn mutation(random: &mut Random) -> Vec<u8> {
    let mut packet = valid(random);
    for _ in 0..=random.below(4) {
        let place = random.below(packet.len().max(1));
        match random.below(7) {
            0 | 1 => {
                if let Some(byte) = packet.get_mut(place) {
                    *byte ^= 1 << random.below(8);
                }
            }
            2 => {
                if let Some(byte) = packet.get_mut(place) {
                    *byte = *random.pick(b"\0\xff/#,[]{}*ifsbhtdScrmTFNIz");
                }
            }
            3 => packet.truncate(place),
            4 => packet.truncate(place / 4 * 4),
            5 => packet.extend_from_within(place / 4 * 4..),
            _ => drop(packet.splice(place / 4 * 4..place / 4 * 4, random.bytes(4))),
        }
    }
    packet
}

/// A packet built to offend.
fn offence(random: &mut Random) -> Vec<u8> {
    let a = b"/a\0\0".as_slice();
    let length = 4 * (1 + random.below(64));
    match random.below(16) {
        0 => {
            let odd = random.below(4);
            random.bytes(length + odd)
        }
        1 => [a, &random.bytes(length)].concat(),
        2 => [b"#bundle\0", &random.bytes(length)[..]].concat(),
        3 => Vec::new(),
        4 => {
            let length = random.below(16_000);
            vec![b'/'; 4100 + length]
        }
        5 => {
            let depth = 5 + random.below(150);
            (0..depth).fold(a.to_vec(), |inside, _| bundle(1, &[&inside]))
        }
        6 => bundle(1, &vec![a; 256 + random.below(200)]),
        7 => {
            let time = 2 + random.next() % 1000;
            bundle(time, &[a, &bundle(time - 1, &[a])])
        }
        8 => {
            let number = *random.pick(&[f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::from_bits(0xFFC0_0001)]);
            [a, b",f\0\0", &number.to_be_bytes()].concat()
        }
        9 => [a, b",d\0\0", &1e300_f64.to_be_bytes()].concat(),
        10 => [a, *random.pick(&[b",[i]\0\0\0\0".as_slice(), b",[[[[[[\0", b",i[\0", b",]\0\0"]), &random.bytes(4)]
            .concat(),
        11 => [a, b",", &vec![b'T'; 514 + 4 * random.below(100)], b"\0"].concat(),
        12 => [a, b",s\0\0", &[0xC3, 0x28, 0, 0]].concat(),
        13 => [a, b",b\0\0", &u32::MAX.wrapping_sub(random.below(9) as u32).to_be_bytes(), &[0; 8]].concat(),
        14 => [*random.pick(&[b"/[a\0".as_slice(), b"/}\0\0", b"/{a/b}\0\0", b"/[!]\0\0\0\0"]), b",\0\0\0"].concat(),
        _ => [a, *random.pick(&[b"f\0\0\0".as_slice(), b"ffff", b",f\0x"]), &random.bytes(4)].concat(),
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
