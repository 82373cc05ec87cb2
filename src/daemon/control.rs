//! Control ports into the inbox: each port's bytes into its own lane.

use super::desk_thread::DeskShared;
use super::inbox::{Item, JOINED_BYTES};
use super::nodes::Nodes;
use crate::desk::Event;
use crate::panel::PortIndex;
use crate::ports::control::{ControlNotice, ControlSink, OpenControl};
use crate::ports::{jack_midi, midi, serial};
use crate::profile::{Id, NodeLine, Reach, Rig};
use crate::words::log;
use std::sync::{Arc, PoisonError};

/// Opens every control port of the rig that carries bytes; OSC ports are the network's.
pub fn open_all(rig: &Rig, shared: &Arc<DeskShared>) -> Vec<OpenControl> {
    shared.ports_away.lock().unwrap_or_else(PoisonError::into_inner).clear();
    let mut open = Vec::new();
    let mut outs = Vec::new();
    for (index, port) in rig.control_ports.iter().enumerate() {
        let sink = sink(Arc::clone(shared), index, port.id.to_string());
        let opened = match &port.reach {
            Reach::Midi { name } => Some(midi::open_midi(name, sink)),
            Reach::JackMidi { server, link_input, link_output } => {
                let name = format!("longthrow-{}", port.id);
                Some(jack_midi::open_jack_midi(server, &name, link_input, link_output, sink))
            }
            Reach::Serial { path, baud } => Some(serial::open_serial(path, *baud, sink)),
            Reach::Node { line: NodeLine::Serial { path, baud }, .. } => {
                let opened = serial::open_serial(path, *baud, node_sink(&shared.nodes, index, port.id.to_string()));
                if let Ok(control) = &opened {
                    shared.nodes.set_line(index, Arc::clone(&control.out));
                }
                Some(opened)
            }
            Reach::Osc { .. } | Reach::Node { line: NodeLine::Udp { .. }, .. } => None,
        };
        match opened {
            Some(Ok(control)) => {
                outs.push(Some(Arc::clone(&control.out)));
                open.push(control);
            }
            Some(Err(error)) => {
                tracing::error!("{}", log::port_not_opened(&port.id, &error));
                shared.note_port(&port.id, Some(&error.to_string()));
                outs.push(None);
            }
            None => outs.push(None),
        }
    }
    *shared.panels.lock().unwrap_or_else(PoisonError::into_inner) = outs;
    open
}

/// A node's serial line: whether its node is there, its link knows.
fn node_sink(nodes: &Arc<Nodes>, index: usize, id: String) -> ControlSink {
    let nodes = Arc::clone(nodes);
    Box::new(move |notice| match notice {
        ControlNotice::Bytes(bytes) => nodes.bytes(index, bytes),
        ControlNotice::Found(what) => {
            tracing::info!("{}", log::port(&id, what));
            nodes.line_found(index);
        }
        ControlNotice::Lost(why) => {
            tracing::warn!("{}", log::port(&id, why));
            nodes.line_lost(index, why);
        }
        ControlNotice::Dropped(count) => tracing::warn!("{}", log::reads_lost(&id, count)),
    })
}

fn sink(shared: Arc<DeskShared>, lane: usize, id: String) -> ControlSink {
    let (port, of) = (PortIndex(lane), Id::from(&*id));
    Box::new(move |notice| match notice {
        ControlNotice::Bytes(bytes) => {
            for bytes in bytes.chunks(JOINED_BYTES) {
                shared.inbox.push(lane, Item::event(Event::Midi { port, bytes: bytes.to_vec() }));
            }
        }
        ControlNotice::Found(what) => {
            tracing::info!("{}", log::port(&id, what));
            shared.note_port(&of, None);
            shared.inbox.push(lane, Item::event(Event::PortFound { port }));
        }
        ControlNotice::Lost(why) => {
            tracing::warn!("{}", log::port_lost(&id, why));
            shared.note_port(&of, Some(why));
        }
        ControlNotice::Dropped(count) => {
            tracing::warn!("{}", log::messages_lost(&id, count));
        }
    })
}
