//! A JACK client that compares what it hears with what the feeder gave in the same frame.

use super::jackd::Active;
use super::signal::{depth, sample};
use jack::{AudioIn, Client, Control, Port, ProcessScope};
use longthrow::ports::jack_server::{self, Lease, ServerClient};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering::Relaxed};

struct Judging {
    port: Port<AudioIn>,
    seen: Arc<Seen>,
    _lease: Lease,
}

/// What it has heard.
#[derive(Default)]
pub struct Seen {
    /// Frames heard.
    pub frames: AtomicU64,
    /// Frames that are not the feeder's first channel.
    pub wrong: AtomicU64,
    /// The frame of the server behind the last one that was heard.
    pub last: AtomicU32,
    /// The last frame that was not zero.
    pub last_sound: AtomicU32,
}

impl jack::ProcessHandler for Judging {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let mut wrong = 0;
        for (frame, heard) in (scope.last_frame_time()..).zip(self.port.as_slice(scope)) {
            wrong += u64::from(heard.to_bits() != (sample(depth(0), 0, frame) + 0.0).to_bits());
            if heard.to_bits() != 0 {
                self.seen.last_sound.store(frame, Relaxed);
            }
        }
        self.seen.last.store(scope.last_frame_time().wrapping_add(scope.n_frames()), Relaxed);
        self.seen.wrong.fetch_add(wrong, Relaxed);
        self.seen.frames.fetch_add(u64::from(scope.n_frames()), Relaxed);
        Control::Continue
    }
}

/// The client; its port is `judge:in`.
pub struct Judge {
    client: Active<Judging>,
    /// What it has heard so far.
    pub seen: Arc<Seen>,
}

impl Judge {
    /// A judge on this server.
    pub fn start(server: &str) -> Self {
        let ServerClient { client, lease } = jack_server::open("judge", server).expect("the server runs");
        let port = client.register_port("in", AudioIn::default()).expect("a port");
        let seen = Arc::<Seen>::default();
        let closing = lease.closing();
        let judging = Judging { port, seen: Arc::clone(&seen), _lease: lease };
        Self { client: Active::new(client, closing, judging), seen }
    }

    /// Frames of silence heard since the last sound.
    pub fn silence(&self) -> i32 {
        // The older of the two first: both go on meanwhile.
        let last_sound = self.seen.last_sound.load(Relaxed);
        self.seen.last.load(Relaxed).wrapping_sub(last_sound).cast_signed()
    }

    /// Waits for so many frames more; gives how many of them were wrong.
    pub fn listen(&self, frames: u64) -> u64 {
        let (before, wrong) = (self.seen.frames.load(Relaxed), self.seen.wrong.load(Relaxed));
        super::wait_until("frames are heard", || self.seen.frames.load(Relaxed) >= before + frames);
        self.seen.wrong.load(Relaxed) - wrong
    }

    /// The server's frame now.
    pub fn now(&self) -> u32 {
        let client = self.client.client();
        client.time_to_frames(client.time())
    }
}
