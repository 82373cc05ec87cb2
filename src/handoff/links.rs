//! Wires of devices that do not call the engine themselves, beside those of the device that does.
//!
//! ```text
//! master's callback:  own wires  0 ..  --\                    /-->  own wires
//!            Incoming --frames--> link    --> Engine::process -->  link --frames--> Carrier ==> Carried
//! ```
//! A device on a clock of its own has a [`Link`]: what comes in is read once per block from an [`Incoming`] (the reading end
//! of a bridge), what goes out is carried, with the time of the block, to a thread that sends it on. The seat's links are
//! replaced as a whole, by pointer, through a [`LinkEnd`]; those that stay are taken over as they are.

use crate::engine::Wires;
use rtrb::{Consumer, Producer, RingBuffer};
use std::fmt;

/// Frames in one block at most.
pub const BLOCK_FRAMES_MAX: usize = 8_192;
/// Devices beside the master at most.
pub const LINKS_MAX: usize = 16;
/// Frames on their way out, by a thread that may be late: 0.68 s at 48 kHz.
const CARRIED_FRAMES: usize = 32_768;
/// Blocks on their way out: as many seconds of 64-frame blocks.
const CARRIED_BLOCKS: usize = 512;
/// Sets of links on their way in, and on their way back.
const SETS: usize = 4;

/// Where a link's sound comes from.
pub trait Incoming: Send {
    /// Fills the frames of one block, interleaved, that began at `nanos` of the monotonic clock.
    ///
    /// Real-time: safe, and so must every implementation be
    fn read(&mut self, out: &mut [f32], nanos: u64);
}

/// One block on its way out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BlockHead {
    /// When it began, in ns of the monotonic clock.
    pub nanos: u64,
    /// Its frames.
    pub frames: u32,
}

/// The end of a carrier that a real-time callback owns.
#[derive(Debug)]
pub struct Carrier {
    audio: Producer<f32>,
    heads: Producer<BlockHead>,
}

/// The end of a carrier that a thread empties.
#[derive(Debug)]
pub struct Carried {
    audio: Consumer<f32>,
    heads: Consumer<BlockHead>,
    channels: usize,
}

/// Both ends of a carrier of so many channels, which may be none: the blocks and their times still pass.
///
/// Real-time: never
#[must_use]
pub fn carrier(channels: usize) -> (Carrier, Carried) {
    let (audio_in, audio_out) = RingBuffer::new(CARRIED_FRAMES * channels);
    let (heads_in, heads_out) = RingBuffer::new(CARRIED_BLOCKS);
    (Carrier { audio: audio_in, heads: heads_in }, Carried { audio: audio_out, heads: heads_out, channels })
}

impl Carrier {
    /// Hands over one block, interleaved; says whether there was room. A block that is lost is seen from the times of the
    /// others.
    ///
    /// Real-time: safe
    pub fn carry(&mut self, samples: &[f32], head: BlockHead) -> bool {
        // Samples first: a head that can be seen speaks of samples that are there.
        self.heads.slots() > 0
            && self.audio.push_entire_slice(samples).is_ok()
            // Real-time: a ring of fixed size
            && self.heads.push(head).is_ok()
    }
}

impl Carried {
    /// Shows the next block, if there is one: its samples come in one or two pieces.
    ///
    /// Real-time: never
    pub fn next(&mut self, mut piece: impl FnMut(&[f32])) -> Option<BlockHead> {
        let head = self.heads.pop().ok()?;
        let samples = self.audio.read_chunk(head.frames as usize * self.channels).ok()?;
        let (first, second) = samples.as_slices();
        piece(first);
        piece(second);
        samples.commit_all();
        Some(head)
    }

    /// Whether the other end is gone.
    ///
    /// Real-time: never
    #[must_use]
    pub fn is_abandoned(&self) -> bool {
        self.heads.is_abandoned()
    }
}

/// The wires of one device.
pub struct Link {
    inputs: usize,
    outputs: usize,
    from: Option<Box<dyn Incoming>>,
    to: Option<Carrier>,
    /// The block that came in and the one that goes out, interleaved.
    incoming: Box<[f32]>,
    outgoing: Box<[f32]>,
}

impl Link {
    /// A link of so many channels each way; a side without a source is silent, one without a carrier leads nowhere.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(inputs: usize, outputs: usize, from: Option<Box<dyn Incoming>>, to: Option<Carrier>) -> Self {
        let silence = |channels: usize| vec![0.0; BLOCK_FRAMES_MAX * channels].into_boxed_slice();
        Self { inputs, outputs, from, to, incoming: silence(inputs), outgoing: silence(outputs) }
    }

    fn begin(&mut self, frames: usize, nanos: u64) {
        if let Some(from) = &mut self.from {
            from.read(&mut self.incoming[..frames * self.inputs], nanos);
        }
        self.outgoing[..frames * self.outputs].fill(0.0);
    }

    fn end(&mut self, frames: usize, nanos: u64) {
        if let Some(to) = &mut self.to {
            let head = BlockHead { nanos, frames: u32::try_from(frames).unwrap_or(0) };
            // What finds no room is lost, which the other side sees from the times.
            let _carried = to.carry(&self.outgoing[..frames * self.outputs], head);
        }
    }
}

impl fmt::Debug for Link {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Link").field("inputs", &self.inputs).field("outputs", &self.outputs).finish_non_exhaustive()
    }
}

/// Which wires are a device's.
#[derive(Debug)]
pub struct Place {
    /// Names the device among the others, for as long as there is a link.
    pub device: u64,
    /// The first of its inputs among all wires.
    pub first_input: usize,
    /// How many inputs there are.
    pub inputs: usize,
    /// The first of its outputs among all wires.
    pub first_output: usize,
    /// How many outputs there are.
    pub outputs: usize,
    /// Its link; without one the seat keeps the link that it has for the device, if it has one.
    pub link: Option<Box<Link>>,
}

impl Place {
    fn input(&self, wire: usize) -> Option<usize> {
        wire.checked_sub(self.first_input).filter(|channel| *channel < self.inputs)
    }

    fn output(&self, wire: usize) -> Option<usize> {
        wire.checked_sub(self.first_output).filter(|channel| *channel < self.outputs)
    }
}

/// The links of a seat.
#[derive(Debug, Default)]
pub struct Links {
    places: Vec<Place>,
}

impl Links {
    /// These places, of which only the first [`LINKS_MAX`] count.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(mut places: Vec<Place>) -> Self {
        places.truncate(LINKS_MAX);
        Self { places }
    }

    /// The places, to take a link back out of links that were refused.
    ///
    /// Real-time: safe
    pub fn places_mut(&mut self) -> &mut [Place] {
        &mut self.places
    }

    /// Takes over from `old` the links that stay.
    fn take_over(&mut self, old: &mut Self) {
        for place in self.places.iter_mut().filter(|place| place.link.is_none()) {
            if let Some(old) = old.places.iter_mut().find(|old| old.device == place.device) {
                place.link = old.link.take();
            }
        }
    }
}

/// The control thread's end: new links go in, old ones come back and are dropped there.
#[derive(Debug)]
pub struct LinkEnd {
    coming: Producer<Box<Links>>,
    going: Consumer<Box<Links>>,
}

impl LinkEnd {
    /// Replaces the links at the beginning of a block to come; first drops what the seat is done with.
    ///
    /// # Errors
    /// Gives them back while too many are on their way, as they are when nobody drives the engine.
    ///
    /// Real-time: never
    pub fn send(&mut self, links: Box<Links>) -> Result<(), Box<Links>> {
        self.drop_old();
        self.coming.push(links).map_err(|rtrb::PushError::Full(links)| links)
    }

    /// Drops what the seat is done with.
    ///
    /// Real-time: never
    pub fn drop_old(&mut self) {
        while self.going.pop().is_ok() {}
    }
}

/// The seat's end.
#[derive(Debug)]
pub(super) struct Linked {
    links: Box<Links>,
    coming: Consumer<Box<Links>>,
    going: Producer<Box<Links>>,
}

impl Linked {
    /// No links, and the end by which they come.
    ///
    /// Real-time: never
    pub(super) fn new() -> (Self, LinkEnd) {
        let (coming_in, coming) = RingBuffer::new(SETS);
        let (going, going_out) = RingBuffer::new(SETS);
        (Self { links: Box::default(), coming, going }, LinkEnd { coming: coming_in, going: going_out })
    }

    /// Takes new links and begins a block. Whether there is any link.
    pub(super) fn begin(&mut self, frames: usize, nanos: u64) -> bool {
        // Only when there is a way back for the old ones.
        if self.going.slots() > 0
            && let Ok(mut links) = self.coming.pop()
        {
            links.take_over(&mut self.links);
            std::mem::swap(&mut self.links, &mut links);
            // Real-time: there is room in a ring of fixed size
            if self.going.push(links).is_err() {}
        }
        for link in self.links.places.iter_mut().filter_map(|place| place.link.as_mut()) {
            link.begin(frames.min(BLOCK_FRAMES_MAX), nanos);
        }
        !self.links.places.is_empty()
    }

    /// The master's wires and those of the links as one.
    pub(super) fn beside<'a, W: Wires + ?Sized>(&'a mut self, own: &'a mut W) -> Beside<'a, W> {
        Beside { own, places: &mut self.links.places }
    }

    /// Sends on what the block gave.
    pub(super) fn end(&mut self, frames: usize, nanos: u64) {
        for link in self.links.places.iter_mut().filter_map(|place| place.link.as_mut()) {
            link.end(frames.min(BLOCK_FRAMES_MAX), nanos);
        }
    }
}

/// The wires of one block: a link's where there is a place for it, else the driver's own.
pub(super) struct Beside<'a, W: ?Sized> {
    own: &'a mut W,
    places: &'a mut [Place],
}

impl<W: Wires + ?Sized> Wires for Beside<'_, W> {
    fn frames(&self) -> usize {
        self.own.frames()
    }

    fn inputs(&self) -> usize {
        self.places.iter().map(|place| place.first_input + place.inputs).fold(self.own.inputs(), usize::max)
    }

    fn outputs(&self) -> usize {
        self.places.iter().map(|place| place.first_output + place.outputs).fold(self.own.outputs(), usize::max)
    }

    fn read(&mut self, wire: usize, offset: usize, into: &mut [f32]) {
        let frames = self.own.frames().min(BLOCK_FRAMES_MAX);
        let Some((place, channel)) =
            self.places.iter().find_map(|place| place.input(wire).map(|channel| (place, channel)))
        else {
            return self.own.read(wire, offset, into);
        };
        // A device that is away, or was replaced by one of other channels, is silent.
        let Some(link) = place.link.as_ref().filter(|link| channel < link.inputs) else { return into.fill(0.0) };
        let block = link.incoming.chunks_exact(link.inputs).take(frames).skip(offset).map(|frame| frame[channel]);
        for (sample, value) in into.iter_mut().zip(block.chain(std::iter::repeat(0.0))) {
            *sample = value;
        }
    }

    fn write(&mut self, wire: usize, offset: usize, from: &[f32]) {
        let frames = self.own.frames().min(BLOCK_FRAMES_MAX);
        let Some((place, channel)) =
            self.places.iter_mut().find_map(|place| place.output(wire).map(|channel| (place, channel)))
        else {
            return self.own.write(wire, offset, from);
        };
        let Some(link) = place.link.as_mut().filter(|link| channel < link.outputs) else { return };
        let block = link.outgoing.chunks_exact_mut(link.outputs).take(frames).skip(offset);
        for (frame, value) in block.zip(from) {
            frame[channel] = *value;
        }
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "samples are to come out exactly")]
mod tests {
    use super::*;
    use crate::engine::wires::PlanarWires;

    /// Counts up over all samples it gives.
    struct Counting(f32);

    impl Incoming for Counting {
        fn read(&mut self, out: &mut [f32], _: u64) {
            for sample in out {
                self.0 += 1.0;
                *sample = self.0;
            }
        }
    }

    fn place(device: u64, first: usize, link: Option<Link>) -> Place {
        Place { device, first_input: first, inputs: 2, first_output: first, outputs: 1, link: link.map(Box::new) }
    }

    /// One block of four frames over one wire of the driver's own: reads `wire`, and writes it to `wire` and to wire 0.
    fn block(linked: &mut Linked, wire: usize) -> ([f32; 4], [f32; 4]) {
        let inputs = [9.0; 4];
        let mut outputs = [0.0; 4];
        let mut own = PlanarWires { frames: 4, stride: 4, inputs: &inputs, outputs: &mut outputs };
        linked.begin(4, 77);
        let mut read = [-1.0; 4];
        let mut wires = linked.beside(&mut own);
        let (first, last) = read.split_at_mut(3);
        wires.read(wire, 0, first);
        wires.read(wire, 3, last);
        wires.write(wire, 0, &read[..3]);
        wires.write(wire, 3, &read[3..]);
        wires.write(0, 0, &read);
        linked.end(4, 77);
        (read, outputs)
    }

    #[test]
    fn a_links_wires_stand_beside_the_drivers_own_and_carry_the_time_of_the_block() {
        let (mut linked, mut end) = Linked::new();
        assert_eq!(block(&mut linked, 1), ([0.0; 4], [0.0; 4]), "nothing there yet");
        let (to, mut carried) = carrier(1);
        let link = Link::new(2, 1, Some(Box::new(Counting(0.0))), Some(to));
        end.send(Box::new(Links::new(vec![place(5, 1, Some(link))]))).expect("there is room");
        assert_eq!(block(&mut linked, 1), ([1.0, 3.0, 5.0, 7.0], [1.0, 3.0, 5.0, 7.0]));
        assert_eq!(block(&mut linked, 2).0, [10.0, 12.0, 14.0, 16.0], "the second channel");
        assert_eq!(block(&mut linked, 0).0, [9.0; 4], "the driver's own");
        assert_eq!(block(&mut linked, 3).0, [0.0; 4], "nobody's");
        let mut heard = Vec::new();
        let mut heads = Vec::new();
        while let Some(head) = carried.next(|piece| heard.extend_from_slice(piece)) {
            heads.push(head);
        }
        assert_eq!(heads, [BlockHead { nanos: 77, frames: 4 }; 4]);
        // Wire 2 is an input only, so that what was read there was not carried.
        assert_eq!(heard, [&[1.0, 3.0, 5.0, 7.0][..], &[0.0; 12]].concat());
    }

    #[test]
    fn links_that_stay_are_taken_over_and_the_others_come_back() {
        let (mut linked, mut end) = Linked::new();
        let link = || Some(Link::new(2, 1, Some(Box::new(Counting(0.0))), None));
        end.send(Box::new(Links::new(vec![place(5, 1, link()), place(6, 3, link())]))).expect("there is room");
        assert_eq!(block(&mut linked, 3).0, [1.0, 3.0, 5.0, 7.0]);
        // One device goes; the other keeps its state though its wires have other numbers.
        end.send(Box::new(Links::new(vec![place(6, 1, None)]))).expect("there is room");
        assert_eq!(block(&mut linked, 1).0, [9.0, 11.0, 13.0, 15.0]);
        let mut returned = Vec::new();
        while let Ok(links) = end.going.pop() {
            returned.push(links.places.iter().map(|place| (place.device, place.link.is_some())).collect::<Vec<_>>());
        }
        assert_eq!(returned, [vec![(5, true), (6, false)]], "what went is dropped here, and not in the callback");
    }

    #[test]
    fn sets_wait_while_the_old_ones_are_not_fetched_and_are_refused_beyond_that() {
        let (mut linked, mut end) = Linked::new();
        for _ in 0..SETS {
            end.coming.push(Box::new(Links::new(vec![place(1, 1, None)]))).expect("there is room");
            block(&mut linked, 0);
        }
        for _ in 0..SETS {
            end.coming.push(Box::new(Links::new(vec![place(2, 1, None)]))).expect("there is room");
        }
        block(&mut linked, 0);
        assert_eq!(linked.links.places[0].device, 1, "no way back, so none is taken");
        assert!(end.coming.push(Box::default()).is_err());
        end.drop_old();
        block(&mut linked, 0);
        assert_eq!(linked.links.places[0].device, 2);
    }

    #[test]
    fn a_carrier_that_nobody_empties_loses_whole_blocks_only() {
        let (mut to, mut carried) = carrier(2);
        let samples = vec![0.5; 2 * BLOCK_FRAMES_MAX];
        let head = BlockHead { nanos: 1, frames: u32::try_from(BLOCK_FRAMES_MAX).expect("fits") };
        let kept = (0..10).filter(|_| to.carry(&samples, head)).count();
        assert_eq!(kept, CARRIED_FRAMES / BLOCK_FRAMES_MAX);
        let mut count = 0;
        while carried.next(|piece| count += piece.len()).is_some() {}
        assert_eq!(count, kept * samples.len());
        drop(to);
        assert!(carried.is_abandoned());
        let (mut nothing, mut passed) = carrier(0);
        assert!(nothing.carry(&[], head));
        assert_eq!(passed.next(|piece| assert!(piece.is_empty())), Some(head), "without channels the times still pass");
    }
}
