//! MIDI 1.0: a stream of bytes becomes events, one byte at a time.
//!
//! [`Parser`] holds one stream's state in a fixed size, takes any byte in any state and never fails: what
//! makes no sense is dropped and counted in [`Counts`]. The rules are those of the MIDI 1.0 Detailed
//! Specification 4.2.1: real-time bytes may stand anywhere and disturb nothing, channel messages set the
//! running status, and everything else clears it (an undefined F4 or F5 too, the safe reading of a case
//! that the specification leaves open).

/// The longest system exclusive message that is kept, in bytes between F0 and F7; longer ones are counted.
pub const SYSEX_BYTES_MAX: usize = 256;

/// The messages without data that may stand inside any other message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RealTime {
    /// F8, 24 to a quarter note.
    Clock,
    /// FA.
    Start,
    /// FB.
    Continue,
    /// FC.
    Stop,
    /// FE: the sender is still there.
    ActiveSensing,
    /// FF: back to how things are after power-up. Never echo it.
    Reset,
}

/// One whole message. MIDI channels are 0 to 15; data is 7 bits unless said.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "the fields carry the names of the specification")]
pub enum Event {
    /// 8n.
    NoteOff { channel: u8, key: u8, velocity: u8 },
    /// 9n; velocity 0 means note off and is left for the reader to see.
    NoteOn { channel: u8, key: u8, velocity: u8 },
    /// An.
    PolyPressure { channel: u8, key: u8, pressure: u8 },
    /// Bn.
    ControlChange { channel: u8, number: u8, value: u8 },
    /// Cn.
    Program { channel: u8, program: u8 },
    /// Dn.
    ChannelPressure { channel: u8, pressure: u8 },
    /// En: 14 bits, 8192 is the centre.
    PitchBend { channel: u8, value: u16 },
    /// F1.
    QuarterFrame(u8),
    /// F2: 14 bits.
    SongPosition(u16),
    /// F3.
    SongSelect(u8),
    /// F6.
    TuneRequest,
    /// F0 to F7: how many bytes stood between; they are in [`Parser::sysex`] until the next byte.
    SysEx { length: usize },
    /// F8 and above.
    RealTime(RealTime),
}

/// What a parser dropped since it was made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Data bytes, and ends of sysex, that belonged to no message.
    pub stray: u64,
    /// Messages cut off by the next status byte.
    pub unfinished: u64,
    /// Status bytes that the specification leaves undefined.
    pub undefined: u64,
    /// Whole system exclusive messages longer than [`SYSEX_BYTES_MAX`].
    pub sysex_too_long: u64,
}

/// What the next data byte belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Expecting {
    /// Nothing: data is stray.
    Nothing,
    /// The data of this status byte.
    Data(u8),
    /// More of a system exclusive message.
    SysEx,
}

/// The state of one incoming stream.
#[derive(Clone, Debug)]
pub struct Parser {
    expecting: Expecting,
    /// The first of two data bytes, once it is there.
    first: Option<u8>,
    /// Whether a message is under way: after its status byte, or after its first byte under running status.
    begun: bool,
    sysex: [u8; SYSEX_BYTES_MAX],
    /// Bytes of the current or last system exclusive message, also beyond what is kept.
    sysex_length: usize,
    counts: Counts,
}

impl Default for Parser {
    fn default() -> Self {
        Self {
            expecting: Expecting::Nothing,
            first: None,
            begun: false,
            sysex: [0; SYSEX_BYTES_MAX],
            sysex_length: 0,
            counts: Counts::default(),
        }
    }
}

impl Parser {
    /// Takes one byte; gives the message that it completes. Real-time: safe
    pub fn push(&mut self, byte: u8) -> Option<Event> {
        match byte {
            0xF8.. => self.real_time(byte).map(Event::RealTime),
            0x80.. => self.status(byte),
            _ => self.data(byte),
        }
    }

    /// The bytes between F0 and F7 of the message that the last byte completed, without the two.
    #[must_use]
    pub fn sysex(&self) -> &[u8] {
        &self.sysex[..self.sysex_length.min(SYSEX_BYTES_MAX)]
    }

    /// What was dropped so far.
    #[must_use]
    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// Forgets a half-received message and the running status, for a line that was cut. The counts stay.
    pub fn reset(&mut self) {
        self.expecting = Expecting::Nothing;
        self.first = None;
        self.begun = false;
        self.sysex_length = 0;
    }

    fn real_time(&mut self, byte: u8) -> Option<RealTime> {
        Some(match byte {
            0xF8 => RealTime::Clock,
            0xFA => RealTime::Start,
            0xFB => RealTime::Continue,
            0xFC => RealTime::Stop,
            0xFE => RealTime::ActiveSensing,
            0xFF => {
                self.reset();
                RealTime::Reset
            }
            _ => {
                count(&mut self.counts.undefined);
                return None;
            }
        })
    }

    fn status(&mut self, byte: u8) -> Option<Event> {
        let was = std::mem::replace(&mut self.expecting, Expecting::Nothing);
        if byte == 0xF7 && was == Expecting::SysEx {
            if self.sysex_length <= SYSEX_BYTES_MAX {
                return Some(Event::SysEx { length: self.sysex_length });
            }
            count(&mut self.counts.sysex_too_long);
            return None;
        }
        if was == Expecting::SysEx || self.begun {
            count(&mut self.counts.unfinished);
        }
        self.first = None;
        self.begun = false;
        self.sysex_length = 0;
        match byte {
            0xF0 => self.expecting = Expecting::SysEx,
            0xF4 | 0xF5 => count(&mut self.counts.undefined),
            0xF6 => return Some(Event::TuneRequest),
            0xF7 => count(&mut self.counts.stray),
            _ => {
                self.expecting = Expecting::Data(byte);
                self.begun = true;
            }
        }
        None
    }

    fn data(&mut self, byte: u8) -> Option<Event> {
        let status = match self.expecting {
            Expecting::Nothing => {
                count(&mut self.counts.stray);
                return None;
            }
            Expecting::SysEx => {
                if let Some(place) = self.sysex.get_mut(self.sysex_length) {
                    *place = byte;
                }
                // One beyond the bound already means too long.
                self.sysex_length = (self.sysex_length + 1).min(SYSEX_BYTES_MAX + 1);
                return None;
            }
            Expecting::Data(status) => status,
        };
        let two = !matches!(status, 0xC0..=0xDF | 0xF1 | 0xF3);
        let Some(first) = (if two { self.first.take() } else { Some(byte) }) else {
            self.first = Some(byte);
            self.begun = true;
            return None;
        };
        self.begun = false;
        if status >= 0xF0 {
            self.expecting = Expecting::Nothing;
        }
        let channel = status & 0x0F;
        let both = u16::from(first) | u16::from(byte) << 7;
        Some(match status {
            0x80..=0x8F => Event::NoteOff { channel, key: first, velocity: byte },
            0x90..=0x9F => Event::NoteOn { channel, key: first, velocity: byte },
            0xA0..=0xAF => Event::PolyPressure { channel, key: first, pressure: byte },
            0xB0..=0xBF => Event::ControlChange { channel, number: first, value: byte },
            0xC0..=0xCF => Event::Program { channel, program: byte },
            0xD0..=0xDF => Event::ChannelPressure { channel, pressure: byte },
            0xE0..=0xEF => Event::PitchBend { channel, value: both },
            0xF1 => Event::QuarterFrame(byte),
            0xF2 => Event::SongPosition(both),
            _ => Event::SongSelect(byte),
        })
    }
}

fn count(counter: &mut u64) {
    *counter = counter.saturating_add(1);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(hex: &str) -> Vec<u8> {
        hex.split(' ').map(|byte| u8::from_str_radix(byte, 16).expect("two hex digits")).collect()
    }

    /// Everything a receiver reports of a stream, in words.
    fn report(hex: &str) -> (Vec<String>, Counts) {
        let mut parser = Parser::default();
        let mut events = Vec::new();
        for byte in bytes(hex) {
            let Some(event) = parser.push(byte) else { continue };
            events.push(match event {
                Event::ControlChange { channel, number, value } => format!("CC ch{} {number}={value}", channel + 1),
                Event::NoteOff { channel, key, velocity } => format!("note off ch{} {key} vel {velocity}", channel + 1),
                Event::Program { channel, program } => format!("program ch{} {program}", channel + 1),
                Event::PitchBend { channel, value } => format!("pitch bend ch{} {value}", channel + 1),
                Event::RealTime(RealTime::Clock) => "clock".into(),
                Event::RealTime(RealTime::ActiveSensing) => "active sensing".into(),
                Event::SysEx { length } => {
                    assert_eq!(length, parser.sysex().len());
                    let hex: Vec<_> = parser.sysex().iter().map(|byte| format!("{byte:02X}")).collect();
                    format!("sysex {}", hex.join(" "))
                }
                other => format!("{other:?}"),
            });
        }
        (events, parser.counts())
    }

    /// Cases made from the rules of the MIDI 1.0 Detailed Specification 4.2.1, overview and appendix on
    /// running status (check values I.parse).
    #[test]
    fn a_receiver_reports_what_the_specification_says() {
        let none = Counts::default();
        for (hex, events, counts) in [
            ("B0 07 40", vec!["CC ch1 7=64"], none),
            ("B0 07 40 07 41 0A 00", vec!["CC ch1 7=64", "CC ch1 7=65", "CC ch1 10=0"], none),
            ("B0 F8 07 FE 40 08 7F", vec!["clock", "active sensing", "CC ch1 7=64", "CC ch1 8=127"], none),
            ("80 01 02 F0 01 F7 02 03", vec!["note off ch1 1 vel 2", "sysex 01"], Counts { stray: 2, ..none }),
            ("B0 07 40 F8 07 41", vec!["CC ch1 7=64", "clock", "CC ch1 7=65"], none),
            ("F0 7D 01 F8 02 F7", vec!["clock", "sysex 7D 01 02"], none),
            ("40 40 B0 07 40", vec!["CC ch1 7=64"], Counts { stray: 2, ..none }),
            ("B0 07 B1 07 40", vec!["CC ch2 7=64"], Counts { unfinished: 1, ..none }),
            ("E0 00 40", vec!["pitch bend ch1 8192"], none),
            ("E0 7F 7F", vec!["pitch bend ch1 16383"], none),
            ("C0 05 06", vec!["program ch1 5", "program ch1 6"], none),
            ("B0 07 40 F4 07 41", vec!["CC ch1 7=64"], Counts { stray: 2, undefined: 1, ..none }),
        ] {
            assert_eq!(report(hex), (events.into_iter().map(String::from).collect(), counts), "{hex}");
        }
    }

    /// How many data bytes follow each status byte, and which status bytes are undefined (check values I.status).
    #[test]
    fn each_status_byte_takes_its_number_of_data_bytes() {
        for status in 0x80..=0xFF_u8 {
            let expected = match status {
                0xF0 | 0xF4 | 0xF5 | 0xF7 | 0xF9 | 0xFD => None,
                0xC0..=0xDF | 0xF1 | 0xF3 => Some(1),
                0xF6 | 0xF8.. => Some(0),
                _ => Some(2),
            };
            let mut parser = Parser::default();
            let found = [status, 1, 2, 3, 4].iter().position(|byte| parser.push(*byte).is_some());
            assert_eq!(found, expected, "{status:02X}");
        }
    }

    /// I.sysex and I.reset of the same specification.
    #[test]
    fn any_status_but_real_time_ends_a_sysex_and_reset_clears_running_status() {
        let (events, counts) = report("F0 01 02 B0 07 40");
        assert_eq!((events, counts.unfinished), (vec!["CC ch1 7=64".to_string()], 1));
        let (events, counts) = report("B0 07 40 FF 07 41");
        assert_eq!((events.len(), counts.stray), (2, 2), "{events:?}");
        let (events, counts) = report("B0 07 FF 40");
        assert_eq!((events.len(), counts.stray), (1, 1), "{events:?}");
        let (events, counts) = report("F1 05 06 F2 00 40 01 F7 F6 F9");
        assert_eq!(events, ["QuarterFrame(5)", "SongPosition(8192)", "TuneRequest"]);
        assert_eq!((counts.stray, counts.undefined), (3, 1));
    }

    #[test]
    fn a_sysex_is_kept_up_to_its_bound_and_counted_beyond_it() {
        for (length, kept) in
            [(0, true), (1, true), (SYSEX_BYTES_MAX, true), (SYSEX_BYTES_MAX + 1, false), (100_000, false)]
        {
            let mut parser = Parser::default();
            assert_eq!(parser.push(0xF0), None);
            assert!((0..length).all(|_| parser.push(0x11).is_none()));
            assert_eq!(parser.push(0xF7), kept.then_some(Event::SysEx { length }), "{length}");
            assert_eq!(parser.counts().sysex_too_long, u64::from(!kept));
            assert!(parser.sysex().iter().all(|byte| *byte == 0x11));
        }
    }
}
