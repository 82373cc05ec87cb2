//! Packets on a serial line: SLIP framing (RFC 1055) with an END before and after each packet.
//!
//! The END before a packet ends whatever noise came first, so that noise spoils no packet but its own. Framing knows no
//! checksum; what may be lost or changed on the way is the business of whoever puts packets in.

/// The longest packet in a frame, in bytes; longer ones are left out and counted.
pub const FRAME_BYTES_MAX: usize = 1024;

const END: u8 = 192;
const ESC: u8 = 219;
const ESC_END: u8 = 220;
const ESC_ESC: u8 = 221;

/// A packet as it goes onto the line, with an END before and after it.
#[must_use]
pub fn frame(packet: &[u8]) -> Vec<u8> {
    let mut frame = Vec::with_capacity(packet.len() + packet.len() / 8 + 2);
    frame.push(END);
    for byte in packet {
        match *byte {
            END => frame.extend([ESC, ESC_END]),
            ESC => frame.extend([ESC, ESC_ESC]),
            byte => frame.push(byte),
        }
    }
    frame.push(END);
    frame
}

/// What a [`Deframer`] has seen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FrameCounts {
    /// Packets given.
    pub packets: u64,
    /// Packets among them that had no END of their own before them.
    pub unopened: u64,
    /// Frames longer than [`FRAME_BYTES_MAX`].
    pub too_long: u64,
    /// Frames with an escape that means nothing.
    pub spoiled: u64,
}

/// Bytes of a line to packets; bounded, whatever comes.
#[derive(Clone, Debug, Default)]
pub struct Deframer {
    /// Never longer than [`FRAME_BYTES_MAX`].
    packet: Vec<u8>,
    /// The last packet was given; the next byte begins another.
    given: bool,
    opened: bool,
    escaped: bool,
    fault: Option<Fault>,
    counts: FrameCounts,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fault {
    TooLong,
    Spoiled,
}

impl Deframer {
    /// Takes a byte of the line. Gives a packet when it was the last of one; it is empty never.
    pub fn push(&mut self, byte: u8) -> Option<&[u8]> {
        if std::mem::take(&mut self.given) {
            self.packet.clear();
        }
        match (std::mem::take(&mut self.escaped), byte) {
            (escaped, END) => return self.end(escaped),
            (true, ESC_END) => self.take(END),
            (true, ESC_ESC) => self.take(ESC),
            (true, _) => self.fault = self.fault.or(Some(Fault::Spoiled)),
            (false, ESC) => self.escaped = true,
            (false, byte) => self.take(byte),
        }
        None
    }

    /// The line was cut: what was half said counts no more.
    pub fn reset(&mut self) {
        *self = Self { counts: self.counts, ..Self::default() };
    }

    /// What it has seen.
    #[must_use]
    pub const fn counts(&self) -> FrameCounts {
        self.counts
    }

    fn take(&mut self, byte: u8) {
        if self.packet.len() < FRAME_BYTES_MAX {
            self.packet.push(byte);
        } else {
            self.fault = Some(Fault::TooLong);
        }
    }

    fn end(&mut self, escaped: bool) -> Option<&[u8]> {
        let fault = self.fault.take().or(escaped.then_some(Fault::Spoiled));
        let opened = std::mem::take(&mut self.opened);
        match fault {
            None if self.packet.is_empty() => {
                self.opened = true;
                return None;
            }
            None => {
                self.counts.packets += 1;
                self.counts.unopened += u64::from(!opened);
                self.given = true;
                return Some(&self.packet);
            }
            Some(Fault::TooLong) => self.counts.too_long += 1,
            Some(Fault::Spoiled) => self.counts.spoiled += 1,
        }
        // The END that ended noise may be the one before a packet.
        self.opened = true;
        self.packet.clear();
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn packets(bytes: &[u8]) -> (Vec<Vec<u8>>, FrameCounts) {
        let mut deframer = Deframer::default();
        let packets = bytes.iter().filter_map(|byte| deframer.push(*byte).map(<[u8]>::to_vec)).collect();
        (packets, deframer.counts())
    }

    /// The characters of RFC 1055: END is octal 300, ESC octal 333, ESC_END octal 334, ESC_ESC octal 335.
    #[test]
    fn frames_are_those_of_rfc_1055_with_an_end_on_both_sides() {
        assert_eq!([END, ESC, ESC_END, ESC_ESC], [0o300, 0o333, 0o334, 0o335]);
        assert_eq!(frame(&[1, END, 2, ESC, 3]), [END, 1, ESC, ESC_END, 2, ESC, ESC_ESC, 3, END]);
    }

    #[test]
    fn noise_spoils_only_its_own_frame_and_is_counted() {
        let mut bytes = vec![7, 7, ESC, 7];
        bytes.extend(frame(b"one."));
        bytes.extend([8; FRAME_BYTES_MAX + 1]);
        bytes.extend(frame(b"two."));
        bytes.extend([9, ESC, END]);
        bytes.extend(b"three");
        bytes.push(END);
        bytes.extend(b"four");
        bytes.push(END);
        let (packets, counts) = packets(&bytes);
        assert_eq!(packets, [b"one.".to_vec(), b"two.".to_vec(), b"three".to_vec(), b"four".to_vec()]);
        assert_eq!(counts, FrameCounts { packets: 4, unopened: 1, too_long: 1, spoiled: 2 });
    }

    #[test]
    fn the_longest_packet_passes_and_a_frame_without_end_takes_no_more_room() {
        let longest = vec![END; FRAME_BYTES_MAX];
        assert_eq!(packets(&frame(&longest)).0, [longest]);
        let mut deframer = Deframer::default();
        (0..1_000_000).for_each(|_| assert!(deframer.push(1).is_none()));
        assert!(deframer.packet.capacity() <= 2 * FRAME_BYTES_MAX);
        assert!(deframer.push(END).is_none());
        assert_eq!(deframer.counts().too_long, 1);
    }

    proptest! {
        #[test]
        fn what_goes_in_comes_out_however_it_looks(all in prop::collection::vec(prop::collection::vec(any::<u8>(), 1..200), 0..8)) {
            let line: Vec<u8> = all.iter().flat_map(|packet| frame(packet)).collect();
            let (found, counts) = packets(&line);
            prop_assert_eq!(counts.unopened, 0);
            prop_assert_eq!(found, all);
        }

        #[test]
        fn after_any_noise_and_an_end_the_next_frame_is_understood(noise in prop::collection::vec(any::<u8>(), 0..3000)) {
            let mut line = noise;
            line.extend(frame(b"/here"));
            prop_assert_eq!(packets(&line).0.pop(), Some(b"/here".to_vec()));
        }
    }
}
