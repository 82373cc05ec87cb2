//! Nothing that the audio thread does takes memory or gives it back. The allocator of this test aborts where it would;
//! `tests/realtime_check.rs` runs the same under a checker that also knows locks and system calls.

#[path = "support/crossing.rs"]
mod crossing;
#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;

use assert_no_alloc::{AllocDisabler, assert_no_alloc};

#[global_allocator]
static ALLOCATOR: AllocDisabler = AllocDisabler;

#[test]
fn the_whole_crossing_takes_and_gives_back_no_memory() {
    let (frames, plans) = crossing::run(|callback| assert_no_alloc(callback));
    assert!(frames > 90_000 && plans > 40, "{frames} frames, {plans} plans");
}
