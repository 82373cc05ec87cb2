//! The driver's lease: the engine belongs to nobody's callback.
//!
//! A driver (a device, the silent driver, the offline renderer) holds a numbered lease, takes the engine with one
//! compare-exchange when its block begins and returns it when the block ends. Whoever finds it taken, or holds an old
//! number, gets `None`, writes silence and counts it. Moving the lease never waits: the old driver may finish the block
//! it is in but never begins another, and the new one gets the engine once the old one has returned it.
//!
//! ```text
//! state = number << 1 | taken
//! take      compare-exchange  (number, 0) -> (number, 1)
//! return    and               (any,    1) -> (any,    0)
//! transfer  add 2             (n,      t) -> (n + 1,  t)
//! ```

#![expect(unsafe_code, reason = "one value lent to several threads in turn; `state` says whose turn it is")]

use super::sync::{AtomicU64, MutPtr, Ordering, UnsafeCell};
use std::fmt;
use std::ops::{Deref, DerefMut};

/// The lowest bit of the state: a driver is inside its block.
const TAKEN: u64 = 1;
/// What one more in the number adds to the state.
const ONE_NUMBER: u64 = 2;

/// A value, in practice the engine, that drivers use in turn and never two at once.
///
/// The value is dropped with the lease: see to it that the last owner of the lease is not an audio thread.
pub struct Lease<T> {
    /// Written by drivers (lowest bit) and by the control thread (the rest), read by both, never stale for a
    /// compare-exchange. A return is a release and a take an acquire, so each driver sees all that the one before it did;
    /// a transfer in between is a read-modify-write and keeps that chain.
    state: AtomicU64,
    /// Reached only by whoever set `TAKEN`, until it clears it.
    value: UnsafeCell<T>,
}

// SAFETY: threads that share a lease reach the value one after the other, ordered by `state`; that moves a `T` between
// threads, which is what `Send` allows, and never shows it to two at once, so `T` need not be `Sync`.
unsafe impl<T: Send> Sync for Lease<T> {}

impl<T> Lease<T> {
    /// A lease on this value, in the hand of whoever takes the [current](Lease::current) number, which is 0.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(value: T) -> Self {
        Self { state: AtomicU64::new(0), value: UnsafeCell::new(value) }
    }

    /// The number that may take the value now.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn current(&self) -> u64 {
        self.state.load(Ordering::Acquire) / ONE_NUMBER
    }

    /// The value until the guard is dropped, or `None` when the number is not the current one or the value is taken.
    /// One compare-exchange, no retry: a refusal is for the caller to count, and the block is silent.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn take(&self, number: u64) -> Option<Guard<'_, T>> {
        let free = number.checked_mul(ONE_NUMBER)?;
        self.state.compare_exchange(free, free | TAKEN, Ordering::Acquire, Ordering::Relaxed).ok()?;
        Some(Guard { value: self.value.get_mut(), _give_back: GiveBack(&self.state) })
    }

    /// Makes every number given so far old and returns the new one. Waits for nobody: a driver that is inside its block
    /// finishes it, and until it has, the new number too is refused.
    ///
    /// Real-time: safe
    #[must_use = "without the new number nobody can take the value any more"]
    pub fn transfer(&self) -> u64 {
        // 2^63 transfers do not happen, so the addition does not wrap.
        self.state.fetch_add(ONE_NUMBER, Ordering::AcqRel) / ONE_NUMBER + 1
    }
}

impl<T> fmt::Debug for Lease<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Lease").field("current", &self.current()).finish_non_exhaustive()
    }
}

/// The value in the hand of one driver for one block. Forgetting it (`mem::forget`) would keep the value for ever.
///
/// It stays on the thread that took it.
pub struct Guard<'a, T> {
    // Fields are dropped in this order: the access has ended before the value is given back.
    value: MutPtr<T>,
    _give_back: GiveBack<'a>,
}

struct GiveBack<'a>(&'a AtomicU64);

impl Drop for GiveBack<'_> {
    fn drop(&mut self) {
        self.0.fetch_and(!TAKEN, Ordering::Release);
    }
}

impl<T> Deref for Guard<'_, T> {
    type Target = T;

    fn deref(&self) -> &T {
        // SAFETY: this guard set `TAKEN` and clears it after its last use, so nobody else reaches the value; the lease
        // is borrowed for as long as the guard lives.
        unsafe { self.value.deref() }
    }
}

impl<T> DerefMut for Guard<'_, T> {
    fn deref_mut(&mut self) -> &mut T {
        // SAFETY: as in `deref`, and `&mut self` keeps this guard's own references apart.
        unsafe { self.value.deref() }
    }
}

impl<T> fmt::Debug for Guard<'_, T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Guard").finish_non_exhaustive()
    }
}
