//! One line of meters on a terminal: an OSC client of the daemon like any other. Each bus is shown on the scale that its
//! parameter `meter` names.

use super::print;
use crate::desk::FLOOR_DBFS;
use crate::dsp::scale::{PEAK, SCALES, Scale};
use crate::panel::osc::{Argument, Message};
use crate::ports::osc::{decode, encode};
use crate::words;
use std::collections::BTreeMap;
use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

const RATE_HZ: f32 = 8.0;
const LEASE_S: f32 = 30.0;
/// How often the scales are asked for.
const ASK_EVERY: Duration = Duration::from_secs(1);
/// A channel is named above this, dBFS.
const SOUNDS_DBFS: f32 = -60.0;
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
    let ends: Vec<&str> = SCALES.into_iter().map(|scale| scale.meter).collect();
    let buses = format!("/meter/bus/*/{{left,right,loudness}}/{{{}}}", ends.join(","));
    let asks = [&*buses, "/meter/channel/*/after-fader/peak"].map(|pattern| encode(&ask(pattern)));
    let scales = Message { address: "/ask".into(), arguments: vec![Argument::Text("/bus/*/meter".into())] };
    let scales = encode(&scales);
    let (mut names, mut values) = (BTreeMap::<(i32, i32), Vec<String>>::new(), BTreeMap::new());
    let mut chosen = BTreeMap::new();
    let (mut asked, mut asked_scales): (Option<Instant>, Option<Instant>) = (None, None);
    let mut buffer = [0; 4096];
    while !over.load(Ordering::Acquire) {
        if asked.is_none_or(|at| at.elapsed() > Duration::from_secs_f32(LEASE_S / 3.0)) {
            for ask in &asks {
                socket.send_to(ask, daemon)?;
            }
            asked = Some(Instant::now());
        }
        if asked_scales.is_none_or(|at| at.elapsed() > ASK_EVERY) {
            socket.send_to(&scales, daemon)?;
            asked_scales = Some(Instant::now());
        }
        let Ok(length) = socket.recv(&mut buffer) else { continue };
        for message in decode(&buffer[..length]).into_iter().flatten().flat_map(|group| group.messages) {
            take_in(&message, &mut names, &mut values, &mut chosen);
        }
        print(&line(&values, &chosen));
    }
    Ok(())
}

/// Names by revision and index; values by name; scales by bus.
fn take_in(
    message: &Message,
    names: &mut BTreeMap<(i32, i32), Vec<String>>,
    values: &mut BTreeMap<String, f32>,
    chosen: &mut BTreeMap<String, &'static Scale>,
) {
    match (message.address.as_str(), message.arguments.as_slice()) {
        ("/answer", [Argument::Text(path), Argument::Text(word)]) => {
            if let (["", "bus", id, "meter"], Some(scale)) =
                (path.split('/').collect::<Vec<_>>().as_slice(), Scale::named(word))
            {
                chosen.insert((*id).to_owned(), scale);
            }
        }
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

fn line(values: &BTreeMap<String, f32>, chosen: &BTreeMap<String, &'static Scale>) -> String {
    let (mut buses, mut channels) = (String::new(), String::new());
    let mut by_bus: BTreeMap<&str, f32> = BTreeMap::new();
    for (path, value) in values {
        match path.split('/').collect::<Vec<_>>().as_slice() {
            [_, _, "bus", id, point, end] => {
                let scale = chosen.get(*id).copied().unwrap_or(&PEAK);
                if scale.points.contains(point) && scale.meter == *end {
                    let reading = scale.reading(*value);
                    by_bus.entry(id).and_modify(|known| *known = known.max(reading)).or_insert(reading);
                }
            }
            [_, _, "channel", id, ..] if *value > SOUNDS_DBFS => channels += &format!("  {id} {value:.0}"),
            _ => {}
        }
    }
    for (id, value) in by_bus {
        let scale = chosen.get(id).copied().unwrap_or(&PEAK);
        buses += &format!("{id} {} {:>11}  ", bar(scale, value), figure(scale, value));
    }
    let text: String = format!("{buses}|{channels}").chars().take(LINE).collect();
    format!("\r\x1b[2K{text}")
}

/// A reading in its unit.
pub(super) fn figure(scale: &Scale, value: f32) -> String {
    words::reading(value, scale.reading(FLOOR_DBFS), 1, scale.unit)
}

/// A reading between the ends of its scale.
pub(super) fn bar(scale: &Scale, value: f32) -> String {
    let (low, high) = scale.ends();
    let part = ((value - low) / (high - low)).clamp(0.0, 1.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss, reason = "0 to 12")]
    let lit = (part * BAR as f32).round() as usize;
    format!("[{}{}]", "#".repeat(lit), "-".repeat(BAR - lit))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_bus_is_shown_on_its_own_scale() {
        let mut names = BTreeMap::new();
        let (mut values, mut chosen) = (BTreeMap::new(), BTreeMap::new());
        let text = |text: &str| Argument::Text(text.into());
        let paths = [
            "programme/left/peak-falling",
            "programme/left/vu",
            "programme/right/vu",
            "audition/left/peak-falling",
            "talk/loudness/momentary",
        ];
        let table = [Argument::Int(1), Argument::Int(0)].into_iter();
        let table = table.chain(paths.iter().map(|path| text(&format!("/meter/bus/{path}")))).collect();
        let of = [-3.0, -20.0, -10.0, -30.0, -150.0].map(Argument::Float);
        let shown = [1, 0, 0].map(Argument::Int).into_iter().chain(of).collect();
        for (address, arguments) in [
            ("/follow/table", table),
            ("/follow/values", shown),
            ("/answer", vec![text("/bus/programme/meter"), text("vu")]),
            ("/answer", vec![text("/bus/talk/meter"), text("ebu-plus-9")]),
        ] {
            let message = Message { address: address.into(), arguments };
            take_in(&message, &mut names, &mut values, &mut chosen);
        }
        let line = line(&values, &chosen);
        assert!(line.contains("audition [######------]  -30.0 dBFS"), "{line}");
        assert!(line.contains("talk [------------]     silence"), "{line}");
        // -10 VU is ten of the 23 dB from -20 to +3.
        assert!(line.contains("programme [#####-------]    -10.0 VU"), "{line}");
    }
}
