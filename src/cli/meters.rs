//! One line of meters on a terminal: an OSC client of the daemon like any other.

use super::print;
use crate::panel::osc::{Argument, Message};
use crate::ports::osc::{decode, encode};
use std::collections::BTreeMap;
use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

const RATE_HZ: f32 = 8.0;
const LEASE_S: f32 = 30.0;
/// What a bar shows from end to end.
const RANGE_DB: (f32, f32) = (-60.0, 0.0);
const BAR: usize = 12;
const LINE: usize = 158;

/// Shows the line until `over`.
pub(super) fn show_line(daemon: SocketAddr, over: Arc<AtomicBool>) -> JoinHandle<()> {
    std::thread::spawn(move || {
        if let Err(error) = follow(daemon, &over) {
            tracing::debug!("no line of meters: {error}");
        }
        print("\n");
    })
}

fn follow(daemon: SocketAddr, over: &AtomicBool) -> std::io::Result<()> {
    let socket = UdpSocket::bind(if daemon.is_ipv4() { "127.0.0.1:0" } else { "[::1]:0" })?;
    let mut daemon = daemon;
    if daemon.ip().is_unspecified() {
        daemon.set_ip(if daemon.is_ipv4() { [127, 0, 0, 1].into() } else { std::net::Ipv6Addr::LOCALHOST.into() });
    }
    socket.set_read_timeout(Some(Duration::from_millis(250)))?;
    let ask = |pattern: &str| Message {
        address: "/follow/meters".into(),
        arguments: vec![Argument::Text(pattern.into()), Argument::Float(RATE_HZ), Argument::Float(LEASE_S)],
    };
    let asks = ["/meter/bus/*/*/peak", "/meter/channel/*/after-fader/peak"].map(|pattern| encode(&ask(pattern)));
    let (mut names, mut values) = (BTreeMap::<(i32, i32), Vec<String>>::new(), BTreeMap::new());
    let mut asked: Option<Instant> = None;
    let mut buffer = [0; 4096];
    while !over.load(Ordering::Acquire) {
        if asked.is_none_or(|at| at.elapsed() > Duration::from_secs_f32(LEASE_S / 3.0)) {
            for ask in &asks {
                socket.send_to(ask, daemon)?;
            }
            asked = Some(Instant::now());
        }
        let Ok(length) = socket.recv(&mut buffer) else { continue };
        for message in decode(&buffer[..length]).into_iter().flatten().flat_map(|group| group.messages) {
            take_in(&message, &mut names, &mut values);
        }
        print(&line(&values));
    }
    Ok(())
}

/// Names by revision and index; values by name.
fn take_in(message: &Message, names: &mut BTreeMap<(i32, i32), Vec<String>>, values: &mut BTreeMap<String, f32>) {
    match (message.address.as_str(), message.arguments.as_slice()) {
        ("/follow/table", [Argument::Int(revision), Argument::Int(first), rest @ ..]) => {
            let texts = rest.iter().filter_map(|argument| match argument {
                Argument::Text(text) => Some(text.clone()),
                _ => None,
            });
            names.retain(|(known, _), _| *known + 8 > *revision);
            names.insert((*revision, *first), texts.collect());
        }
        ("/follow/values", [Argument::Int(revision), _, Argument::Int(first), rest @ ..]) => {
            let table = names.range((*revision, i32::MIN)..=(*revision, *first)).next_back();
            let Some(((_, start), texts)) = table else { return };
            let skip = usize::try_from(first - start).unwrap_or(usize::MAX);
            for (name, argument) in texts.iter().skip(skip).zip(rest) {
                if let Argument::Float(value) = argument {
                    values.insert(name.clone(), *value);
                }
            }
        }
        _ => {}
    }
}

fn line(values: &BTreeMap<String, f32>) -> String {
    let (mut buses, mut channels) = (String::new(), String::new());
    let mut by_bus: BTreeMap<&str, f32> = BTreeMap::new();
    for (path, value) in values {
        match path.split('/').collect::<Vec<_>>().as_slice() {
            [_, _, "bus", id, _, _] => {
                let louder = by_bus.get(id).map_or(*value, |known| known.max(*value));
                by_bus.insert(id, louder);
            }
            [_, _, "channel", id, ..] if *value > RANGE_DB.0 => channels += &format!("  {id} {value:.0}"),
            _ => {}
        }
    }
    for (id, value) in by_bus {
        buses += &format!("{id} {} {value:>6.1}  ", bar(value));
    }
    let text: String = format!("{buses}|{channels}").chars().take(LINE).collect();
    format!("\r\x1b[2K{text}")
}

fn bar(value: f32) -> String {
    let part = ((value - RANGE_DB.0) / (RANGE_DB.1 - RANGE_DB.0)).clamp(0.0, 1.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss, reason = "0 to 12")]
    let lit = (part * BAR as f32).round() as usize;
    format!("[{}{}]", "#".repeat(lit), "-".repeat(BAR - lit))
}
