//! From callbacks to notices: atomics that callbacks write, and a thread that reads them and never floods anybody.

use super::audio::DeviceNotice;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering::Relaxed};
use std::sync::mpsc::{SyncSender, TrySendError};
use std::thread::JoinHandle;
use std::time::Duration;

/// How often the keeper looks.
const LOOK: Duration = Duration::from_millis(20);
/// Counted notices leave at every fifth look: ten of a kind a second at most.
const LOOKS_BETWEEN_NOTICES: u32 = 5;

/// Written by callbacks of any thread, read by the keeper within [`LOOK`]. Nothing is published through these numbers, so
/// relaxed order is enough.
#[derive(Debug, Default)]
pub(super) struct Board {
    /// 0, or why the device is gone: an index into the names given to [`Outbox::new`], plus one. The first reason stays.
    gone: AtomicU32,
    xruns: AtomicU32,
    rejoins: AtomicU32,
    /// Frames of the last block.
    pub(super) period: AtomicU32,
    /// Rate in Hz.
    pub(super) rate: AtomicU32,
}

impl Board {
    pub(super) fn gone(&self, reason: u32) {
        let _first_reason_stays = self.gone.compare_exchange(0, reason + 1, Relaxed, Relaxed);
    }

    pub(super) fn xrun(&self) {
        self.xruns.fetch_add(1, Relaxed);
    }

    pub(super) fn rejoins(&self, times: u32) {
        self.rejoins.fetch_add(times, Relaxed);
    }
}

/// Reads the board and sends what changed.
#[derive(Debug)]
pub(super) struct Outbox {
    board: Arc<Board>,
    notices: SyncSender<DeviceNotice>,
    reasons: &'static [&'static str],
    told_gone: bool,
    told_period: u32,
    told_rate: u32,
    looks: u32,
}

impl Outbox {
    /// Starts from what the board says now, so that only changes are told.
    pub(super) fn new(board: Arc<Board>, notices: SyncSender<DeviceNotice>, reasons: &'static [&'static str]) -> Self {
        let (told_period, told_rate) = (board.period.load(Relaxed), board.rate.load(Relaxed));
        Self { board, notices, reasons, told_gone: false, told_period, told_rate, looks: 0 }
    }

    /// Whether the notice is done with: taken, or nobody is left to take it.
    pub(super) fn send(&self, notice: DeviceNotice) -> bool {
        !matches!(self.notices.try_send(notice), Err(TrySendError::Full(_)))
    }

    /// Called at every look.
    pub(super) fn look(&mut self) {
        let gone = self.board.gone.load(Relaxed);
        if gone != 0 && !self.told_gone {
            let reason = self.reasons.get(gone as usize - 1).copied().unwrap_or("it has ended");
            self.told_gone = self.send(DeviceNotice::Gone(reason.to_owned()));
        }
        self.looks = self.looks.wrapping_add(1);
        if !self.looks.is_multiple_of(LOOKS_BETWEEN_NOTICES) {
            return;
        }
        for (count, notice) in [
            (&self.board.xruns, DeviceNotice::Xruns as fn(u32) -> DeviceNotice),
            (&self.board.rejoins, DeviceNotice::Rejoins),
        ] {
            let since = count.swap(0, Relaxed);
            if since > 0 && !self.send(notice(since)) {
                count.fetch_add(since, Relaxed);
            }
        }
        let period = self.board.period.load(Relaxed);
        if period != self.told_period && self.send(DeviceNotice::Period(period)) {
            self.told_period = period;
        }
        let rate = self.board.rate.load(Relaxed);
        if rate != self.told_rate && self.send(DeviceNotice::Rate(rate)) {
            self.told_rate = rate;
        }
    }
}

/// The thread that owns an open device. It looks every 20 ms; dropping it lets the thread drop the device, and waits.
#[derive(Debug)]
pub(super) struct Keeper {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Keeper {
    /// Runs `look` every 20 ms on a thread of that name until dropped; `look` and all it owns are dropped there.
    pub(super) fn start(name: &str, mut look: impl FnMut() + Send + 'static) -> std::io::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let thread = std::thread::Builder::new().name(name.into()).spawn(move || {
            while !stopped.load(Relaxed) {
                look();
                std::thread::park_timeout(LOOK);
            }
        })?;
        Ok(Self { stop, thread: Some(thread) })
    }
}

impl Drop for Keeper {
    fn drop(&mut self) {
        self.stop.store(true, Relaxed);
        if let Some(thread) = self.thread.take() {
            thread.thread().unpark();
            let _ended_either_way = thread.join();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::sync_channel;

    #[test]
    fn a_flood_becomes_a_few_counted_notices_and_nothing_is_lost_while_nobody_reads() {
        let board = Arc::new(Board::default());
        let (send, receive) = sync_channel(1);
        let mut outbox = Outbox::new(Arc::clone(&board), send, &["the cable", "the server"]);
        // 3.1 million error callbacks in 2.5 s is what one library was seen to do.
        for look in 0..125 {
            for _ in 0..24_800 {
                board.xrun();
            }
            if look == 60 {
                board.gone(1);
                board.gone(0);
            }
            outbox.look();
        }
        let mut xruns = 0;
        let mut gone = Vec::new();
        let mut notices = 0;
        for _ in 0..20 {
            while let Ok(notice) = receive.try_recv() {
                notices += 1;
                match notice {
                    DeviceNotice::Xruns(count) => xruns += count,
                    DeviceNotice::Gone(why) => gone.push(why),
                    other => panic!("not expected: {other:?}"),
                }
            }
            outbox.look();
        }
        assert_eq!(xruns, 3_100_000);
        assert_eq!(gone, ["the server"]);
        assert!(notices <= 4, "{notices} notices");
    }

    #[test]
    fn changes_of_period_and_rate_are_told_once() {
        let board = Arc::new(Board::default());
        board.period.store(256, Relaxed);
        board.rate.store(48_000, Relaxed);
        let (send, receive) = sync_channel(8);
        let mut outbox = Outbox::new(Arc::clone(&board), send, &[]);
        (0..10).for_each(|_| outbox.look());
        board.period.store(64, Relaxed);
        (0..10).for_each(|_| outbox.look());
        board.rate.store(44_100, Relaxed);
        (0..10).for_each(|_| outbox.look());
        assert_eq!(receive.try_iter().collect::<Vec<_>>(), [DeviceNotice::Period(64), DeviceNotice::Rate(44_100)]);
    }
}
