//! The reserve between the input and the output callback of one device: two threads, one clock, one period in hand.
//!
//! The output callback takes as many frames as it needs, the input callback brings them in blocks of its own. What is in
//! hand just after a taking is kept near one period. An xrun changes it for good: then the place of reading moves by the
//! difference, ahead or back, through one counted cross-fade of 10 ms, and never through a change of pitch. Apart from that
//! the frames pass untouched. Pure: no threads and no clock of its own.

/// The largest block that is taken at once.
pub(super) const BLOCK_MAX: usize = 8192;

/// Where frames are read.
#[derive(Clone, Copy, Debug)]
enum Place {
    /// Nowhere: silence.
    Silent,
    /// The next frame is this one, counted from the first that was ever brought. What lies at `end` and after is not there
    /// (yet): the frames before it are read backwards instead, which joins without a step.
    At { next: u64, end: u64 },
}

/// See the module.
#[derive(Debug)]
pub(super) struct Reserve {
    channels: usize,
    /// Interleaved; a whole power of two of frames, so that the place of a frame is its number modulo that.
    history: Vec<f32>,
    history_frames: u64,
    brought: u64,
    place: Place,
    /// What is faded out, and how many frames of the fade are done.
    leaving: Option<(Place, usize)>,
    fade_frames: usize,
    /// What is to be in hand after a taking: the larger of the blocks seen.
    reserve: u64,
    /// The least in hand within this window, and how many frames of it are left.
    least: u64,
    window_left: usize,
    window_frames: usize,
    /// Frames taken since the last were brought; after `stall_frames` the input counts as gone.
    taken_since_brought: usize,
    stall_frames: usize,
    rejoins: u32,
}

impl Reserve {
    /// For so many channels, blocks of that many frames, and at most `burst_frames` brought at once.
    pub(super) fn new(channels: usize, period_frames: usize, burst_frames: usize, rate_hz: u32) -> Self {
        let rate = rate_hz as usize;
        let history_frames = (burst_frames + 4 * BLOCK_MAX).next_power_of_two();
        Self {
            channels,
            history: vec![0.0; history_frames * channels],
            history_frames: history_frames as u64,
            brought: 0,
            place: Place::Silent,
            leaving: None,
            fade_frames: rate / 100,
            reserve: period_frames.min(BLOCK_MAX) as u64,
            least: u64::MAX,
            window_left: rate / 5,
            window_frames: rate / 5,
            taken_since_brought: 0,
            stall_frames: rate / 10 + 4 * period_frames,
            rejoins: 0,
        }
    }

    /// Brings frames, interleaved.
    ///
    /// Real-time: safe
    pub(super) fn bring(&mut self, frames: &[f32]) {
        for frame in frames.chunks_exact(self.channels) {
            let at = (self.brought & (self.history_frames - 1)) as usize * self.channels;
            self.history[at..at + self.channels].copy_from_slice(frame);
            self.brought += 1;
        }
        self.taken_since_brought = 0;
    }

    /// Takes the next `frames`, at most [`BLOCK_MAX`]; channel `c` goes to `planar[c * stride..]`.
    ///
    /// Real-time: safe
    pub(super) fn take(&mut self, planar: &mut [f32], stride: usize, frames: usize) {
        self.reserve = self.reserve.max(frames as u64);
        if self.leaving.is_none() {
            self.choose_place(frames as u64);
        }
        for frame in 0..frames {
            let weight = self.leaving.map(|(leaving, done)| (leaving, smooth(done, self.fade_frames)));
            for channel in 0..self.channels {
                let arriving = self.sample(self.place, frame, channel);
                planar[channel * stride + frame] = match weight {
                    None => arriving,
                    Some((leaving, weight)) => {
                        let leaving = self.sample(leaving, frame, channel);
                        leaving + (arriving - leaving) * weight
                    }
                };
            }
            self.leaving =
                self.leaving.map(|(leaving, done)| (leaving, done + 1)).filter(|(_, done)| *done < self.fade_frames);
        }
        let advance = |place: &mut Place| {
            if let Place::At { next, .. } = place {
                *next += frames as u64;
            }
        };
        advance(&mut self.place);
        if let Some((leaving, _)) = &mut self.leaving {
            advance(leaving);
        }
        self.taken_since_brought = self.taken_since_brought.saturating_add(frames);
        if let Place::At { next, .. } = self.place {
            self.least = self.least.min(self.brought.saturating_sub(next));
        }
        self.window_left = self.window_left.saturating_sub(frames);
    }

    /// How often the place was moved, since this was asked last.
    ///
    /// Real-time: safe
    pub(super) fn rejoins(&mut self) -> u32 {
        std::mem::take(&mut self.rejoins)
    }

    /// Frames in hand.
    #[cfg(test)]
    fn in_hand(&self) -> Option<u64> {
        if let Place::At { next, .. } = self.place { self.brought.checked_sub(next) } else { None }
    }

    /// Before `frames` are taken: whether to go on where we are.
    fn choose_place(&mut self, frames: u64) {
        let with_reserve = self.brought.checked_sub(frames + self.reserve);
        match self.place {
            Place::Silent => {
                if let Some(next) = with_reserve.filter(|_| self.taken_since_brought < self.stall_frames) {
                    self.go_to(Place::At { next, end: u64::MAX });
                }
            }
            Place::At { next, .. } => {
                let in_hand = self.brought.saturating_sub(next);
                if in_hand < frames {
                    self.rejoins = self.rejoins.saturating_add(1);
                    let back = with_reserve.filter(|_| self.taken_since_brought < self.stall_frames);
                    // What is left runs out within the fade, so it is read back from here on.
                    self.place = Place::At { next, end: self.brought };
                    self.go_to(back.map_or(Place::Silent, |next| Place::At { next, end: u64::MAX }));
                } else if in_hand > self.history_frames / 2
                    || self.window_left == 0 && self.least != u64::MAX && self.least >= self.reserve * 3 / 2
                {
                    let surplus = if in_hand > self.history_frames / 2 {
                        in_hand - frames - self.reserve
                    } else {
                        self.least - self.reserve
                    };
                    self.rejoins = self.rejoins.saturating_add(1);
                    self.go_to(Place::At { next: next + surplus, end: u64::MAX });
                }
            }
        }
        if self.window_left == 0 {
            self.window_left = self.window_frames;
            self.least = u64::MAX;
        }
    }

    fn go_to(&mut self, place: Place) {
        self.leaving = Some((std::mem::replace(&mut self.place, place), 0));
        self.window_left = self.window_frames;
        self.least = u64::MAX;
    }

    fn sample(&self, place: Place, offset: usize, channel: usize) -> f32 {
        let Place::At { next, end } = place else { return 0.0 };
        let (wanted, end) = (next + offset as u64, end.min(self.brought));
        let frame = if wanted < end { Some(wanted) } else { (2 * end).checked_sub(wanted + 1) };
        // What was overwritten is gone.
        match frame.filter(|frame| self.brought - frame <= self.history_frames) {
            Some(frame) => self.history[(frame & (self.history_frames - 1)) as usize * self.channels + channel],
            None => 0.0,
        }
    }
}

/// From 0 to 1 with level ends: 3x^2 - 2x^3.
fn smooth(done: usize, of: usize) -> f32 {
    let x = (done as f32 + 0.5) / of as f32;
    x * x * (3.0 - 2.0 * x)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PERIOD: usize = 256;

    /// Two channels of a slow sine, its second negated: what arrives and how it should look.
    fn tone(frame: u64) -> f32 {
        (frame as f32 * 0.01).sin() * 0.5
    }

    struct Bench {
        reserve: Reserve,
        brought: u64,
        heard: Vec<f32>,
    }

    impl Bench {
        fn new() -> Self {
            Self { reserve: Reserve::new(2, PERIOD, 4096, 48_000), brought: 0, heard: Vec::new() }
        }

        fn bring(&mut self, frames: usize) {
            let block: Vec<f32> = (self.brought..).take(frames).flat_map(|frame| [tone(frame), -tone(frame)]).collect();
            self.reserve.bring(&block);
            self.brought += frames as u64;
        }

        fn take(&mut self, frames: usize) {
            let mut planar = vec![9.0; 2 * frames];
            self.reserve.take(&mut planar, frames, frames);
            let (left, right) = planar.split_at(frames);
            assert!(left.iter().zip(right).all(|(left, right)| left.to_bits() == (-right).to_bits() || *left == 0.0));
            self.heard.extend_from_slice(left);
        }

        fn run(&mut self, periods: usize) {
            for _ in 0..periods {
                self.bring(PERIOD);
                self.take(PERIOD);
            }
        }

        /// The largest step between neighbours.
        fn step(&self, from: usize) -> f32 {
            self.heard[from..].windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max)
        }
    }

    #[test]
    fn without_xruns_the_frames_pass_untouched_one_period_late() {
        let mut bench = Bench::new();
        bench.run(400);
        for frame in 4 * PERIOD..400 * PERIOD {
            assert_eq!(bench.heard[frame].to_bits(), tone((frame - PERIOD) as u64).to_bits(), "frame {frame}");
        }
        assert_eq!((bench.reserve.rejoins(), bench.reserve.in_hand()), (0, Some(PERIOD as u64)));
    }

    #[test]
    fn callbacks_of_changing_size_and_order_move_nothing() {
        let mut bench = Bench::new();
        bench.run(10);
        bench.reserve.rejoins();
        for turn in 0..2000 {
            // Input first or output first, in halves or whole.
            match turn % 4 {
                0 => (bench.bring(256), bench.take(256)),
                1 => (bench.take(256), bench.bring(256)),
                2 => (bench.bring(128), bench.take(256)),
                _ => (bench.bring(384), bench.take(256)),
            };
        }
        assert_eq!(bench.reserve.rejoins(), 0);
        let (end, delay) = (bench.heard.len(), PERIOD);
        for frame in end - 9000..end {
            assert_eq!(bench.heard[frame].to_bits(), tone((frame - delay) as u64).to_bits(), "frame {frame}");
        }
    }

    #[test]
    fn too_much_in_hand_is_skipped_by_one_counted_cross_fade() {
        for lost in [1, 3, 10] {
            let mut bench = Bench::new();
            bench.run(100);
            // The output stood still while the input went on.
            (0..lost).for_each(|_| bench.bring(PERIOD));
            let from = bench.heard.len();
            bench.run(300);
            assert_eq!((bench.reserve.rejoins(), bench.reserve.in_hand()), (1, Some(PERIOD as u64)), "{lost} lost");
            // The tone moves by at most 0.005 a frame; a fade of 480 frames between tones 1 apart adds 1.5 / 480.
            assert!(bench.step(from) < 0.005 + 0.0032, "a step of {}", bench.step(from));
        }
    }

    #[test]
    fn too_little_in_hand_is_repeated_by_one_counted_cross_fade() {
        for lost in [2, 3, 10] {
            let mut bench = Bench::new();
            bench.run(100);
            // The input stood still while the output went on.
            let from = bench.heard.len();
            (0..lost).for_each(|_| bench.take(PERIOD));
            bench.run(300);
            let rejoins = bench.reserve.rejoins();
            assert!((1..=1 + lost as u32 / 2).contains(&rejoins), "{rejoins} after {lost} lost");
            assert!(bench.reserve.in_hand().is_some_and(|frames| frames <= PERIOD as u64));
            assert!(bench.step(from) < 0.005 + 0.0032, "a step of {}", bench.step(from));
        }
    }

    #[test]
    fn an_input_that_ends_becomes_silence_and_one_that_returns_is_heard() {
        let mut bench = Bench::new();
        bench.run(100);
        let from = bench.heard.len();
        (0..100).for_each(|_| bench.take(PERIOD));
        assert!(bench.heard[bench.heard.len() - 48_000 / 4..].iter().all(|sample| *sample == 0.0));
        assert_eq!(bench.reserve.in_hand(), None);
        bench.run(100);
        assert_eq!(bench.reserve.in_hand(), Some(PERIOD as u64));
        assert!(bench.step(from) < 0.005 + 0.0032, "a step of {}", bench.step(from));
    }

    #[test]
    fn blocks_of_one_frame_and_of_the_largest_size_pass() {
        let mut bench = Bench::new();
        for _ in 0..3000 {
            bench.bring(1);
            bench.take(1);
        }
        for _ in 0..20 {
            bench.bring(4096);
            bench.bring(4096);
            bench.take(BLOCK_MAX);
        }
        assert!(bench.step(1000) < 0.005 + 0.0032, "a step of {}", bench.step(1000));
        assert!(bench.reserve.rejoins() <= 2);
        let (end, delay) = (bench.heard.len() as u64, bench.reserve.in_hand().expect("it plays"));
        let last = bench.heard[bench.heard.len() - 1];
        assert_eq!(last.to_bits(), tone(bench.brought - 1 - delay).to_bits(), "{end} heard, {delay} in hand");
    }
}
