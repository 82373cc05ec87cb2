//! Which devices there are, and which channel somebody speaks into.

use crate::engine::Wires;
use crate::ports::audio::{self, BlockSink, BlockTime, MAX_CHANNELS};
use crate::profile::{Device, Host};
use std::sync::atomic::{AtomicU32, Ordering::Relaxed};
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};

/// How long a device may take to open before it counts as one that does not.
const OPEN_PATIENCE: Duration = Duration::from_secs(3);
const LOOK: Duration = Duration::from_millis(200);
/// What counts as somebody speaking, as a factor of full scale (-50 dBFS), and how far above the next (6 dB). Common practice,
/// no source.
const HEARD: f32 = 0.003;
const ABOVE: f32 = 2.0;

/// Every device that can be found, as a rig would describe it, with what people call it.
pub(super) fn devices() -> Vec<(Device, String)> {
    let listed = audio::list().into_iter();
    listed
        .map(|found| (device(found.host, &found.identity, [found.inputs, found.outputs]), found.description))
        .collect()
}

/// A device of so many inputs and outputs; on a JACK server it is linked to the server's hardware.
pub(super) fn device(host: Host, identity: &str, [inputs, outputs]: [u16; 2]) -> Device {
    let [link_inputs, link_outputs] = if host == Host::Jack { super::jack_links() } else { Default::default() };
    Device {
        id: "interface".into(),
        host,
        identity: if host == Host::Jack { String::new() } else { identity.to_owned() },
        period_frames: None,
        inputs,
        outputs,
        link_inputs,
        link_outputs,
    }
}

/// Highest samples of each channel since the last look; raised by the callback, taken and shown by whoever listens.
type Peaks = Arc<Vec<AtomicU32>>;

struct Ear(Peaks);

impl BlockSink for Ear {
    fn block(&mut self, wires: &mut dyn Wires, _: BlockTime) {
        const PIECE: usize = 64;
        let mut piece = [0.0; PIECE];
        for (channel, peak) in self.0.iter().enumerate() {
            for offset in (0..wires.frames()).step_by(PIECE) {
                let length = PIECE.min(wires.frames() - offset);
                wires.read(channel, offset, &mut piece[..length]);
                let highest = piece[..length].iter().fold(0.0_f32, |highest, x| highest.max(x.abs()));
                // Floats that are not negative are in the order of their bits.
                peak.fetch_max(highest.to_bits(), Relaxed);
            }
        }
    }
}

/// Listens to all inputs of these devices for so long, and shows them; the highest sample of each channel.
pub(super) fn listen(devices: &[Device], seconds: f64, show: &mut dyn FnMut(&str)) -> Vec<Vec<f32>> {
    let mut ears = Vec::new();
    let mut opened = Vec::new();
    for device in devices {
        let channels = usize::from(device.inputs).min(MAX_CHANNELS);
        let peaks: Peaks = Arc::new((0..channels).map(|_| AtomicU32::new(0)).collect());
        ears.push(Arc::clone(&peaks));
        if channels == 0 {
            continue;
        }
        let (result_in, result) = mpsc::channel();
        let (notices, _unheard) = mpsc::sync_channel(1);
        let device = Device { outputs: 0, link_outputs: Vec::new(), ..device.clone() };
        // Opening and closing may hang, on a thread of their own.
        let work = move || {
            let open = audio::open(&device, None, Box::new(Ear(peaks)), notices);
            let _told_or_nobody_waits = result_in.send(open.is_ok());
            // Open until nobody listens any more.
            let (_never, end) = mpsc::channel::<()>();
            let _the_time_is_over = end.recv_timeout(OPEN_PATIENCE + Duration::from_secs_f64(seconds));
            drop(open);
        };
        if std::thread::Builder::new().name("listen".into()).spawn(work).is_ok() {
            opened.push(result);
        }
    }
    for result in opened {
        // One that does not open shows as silent.
        let _open = result.recv_timeout(OPEN_PATIENCE);
    }
    let end = Instant::now() + Duration::from_secs_f64(seconds);
    let take = |ear: &Peaks| ear.iter().map(|peak| f32::from_bits(peak.swap(0, Relaxed))).collect::<Vec<f32>>();
    let mut highest: Vec<Vec<f32>> = ears.iter().map(take).collect();
    while Instant::now() < end {
        std::thread::sleep(LOOK);
        let now: Vec<Vec<f32>> = ears.iter().map(take).collect();
        let of_device = |(number, peaks): (usize, &Vec<f32>)| {
            let levels: Vec<String> = peaks.iter().take(8).map(|peak| level(*peak)).collect();
            (!levels.is_empty()).then(|| format!("{number}: {}", levels.join(" ")))
        };
        show(&(1..).zip(&now).filter_map(of_device).collect::<Vec<_>>().join("   "));
        for (highest, now) in highest.iter_mut().flatten().zip(now.into_iter().flatten()) {
            *highest = highest.max(now);
        }
    }
    show("");
    highest
}

fn level(peak: f32) -> String {
    if peak < 1e-5 { "  -".to_owned() } else { format!("{:.0} dB", 20.0 * f64::from(peak).log10()) }
}

/// The one that somebody spoke into, if it is clear.
pub(super) fn clear_winner(peaks: &[f32]) -> Option<usize> {
    let (index, highest) = peaks.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let others = peaks.iter().enumerate().filter(|(other, _)| *other != index).map(|(_, peak)| *peak);
    (highest > HEARD && highest > ABOVE * others.fold(0.0, f32::max)).then_some(index)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_speaks_is_found_only_when_it_is_clear() {
        assert_eq!(clear_winner(&[0.01, 0.2, 0.05]), Some(1));
        assert_eq!(clear_winner(&[0.15, 0.2]), None);
        assert_eq!(clear_winner(&[0.001, 0.0]), None);
        assert_eq!(clear_winner(&[0.5]), Some(0));
        assert_eq!(clear_winner(&[]), None);
    }
}
