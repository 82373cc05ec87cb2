//! Signals through desk and engine, offline, and the meter frames that come out.

use crate::show::{RATE, installation};
use longthrow::daemon::offline::{Buffers, Offline};
use longthrow::desk::MeterName;
use longthrow::dsp::lanes::{Form, Vectors};
use longthrow::engine::{Feed, GroupReading, MeterFrame};
use std::cell::RefCell;
use std::rc::Rc;

/// What the desk is given to come up from silence, and half a meter step more.
pub const LEAD_IN: usize = 28_800 + 240;

pub const STEREO: &str =
    "channel.a.source = pair-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on";

/// A meter frame without the groups that measured nothing: minutes of whole ones would fill the memory.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept {
    pub start: u64,
    frames: u64,
    plan: u64,
    groups: Vec<(usize, GroupReading)>,
}

impl Kept {
    fn of(frame: &MeterFrame) -> Self {
        let groups = frame.groups.iter().enumerate().filter(|(_, group)| **group != GroupReading::NOTHING);
        let groups = groups.map(|(place, group)| (place, group.clone())).collect();
        Self { start: frame.start, frames: frame.frames, plan: frame.plan, groups }
    }

    /// The frame it was.
    pub fn whole(&self) -> MeterFrame {
        let mut frame = MeterFrame { start: self.start, frames: self.frames, plan: self.plan, ..MeterFrame::nothing() };
        for (place, group) in &self.groups {
            frame.groups[*place] = group.clone();
        }
        frame
    }
}

/// All meter frames of a signal, and the table they are read by.
pub fn frames(lines: &str, signal: &[Vec<f32>], callback: usize, form: Form) -> (Vec<MeterName>, Vec<Kept>) {
    let vectors = Vectors::new(form).expect("this machine has it");
    let channels = u16::try_from(signal.len()).expect("few channels");
    let mut desk = Offline::new(installation(channels, lines), RATE, vectors, Box::new(|_, _, _| Feed::Silent));
    let heard = Rc::new(RefCell::new((Vec::new(), Vec::new())));
    let into = Rc::clone(&heard);
    desk.on_meters(move |desk, frame| {
        let mut into = into.borrow_mut();
        if into.0.is_empty() {
            into.0 = desk.meter_table();
        }
        into.1.push(Kept::of(frame));
    });
    // A tail for the points between the last samples.
    let lead = |side: &Vec<f32>| [&vec![0.0; LEAD_IN][..], side, &[0.0; 480]].concat();
    let inputs: Vec<Vec<f32>> = signal.iter().map(lead).collect();
    let length = inputs[0].len() / 480 * 480;
    let mut wires = Buffers { inputs, outputs: vec![], offset: 0, frames: 0 };
    while wires.offset < length {
        wires.frames = callback.min(length - wires.offset);
        desk.process(&mut wires);
        wires.offset += wires.frames;
    }
    drop(desk);
    Rc::try_unwrap(heard).expect("the desk is gone").into_inner()
}
