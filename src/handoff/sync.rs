//! The atomics and the cell under the shared files of this room.
//!
//! The shipped program uses the standard library's. `tests/lease_model.rs` compiles the same files over a model checker's
//! types of the same names, so this is all that they may use to share memory.

#![expect(
    unsafe_code,
    reason = "a cell that is shared by threads hands out a pointer; who may follow it is the lease's rule"
)]

pub(super) use std::sync::atomic::{AtomicU64, Ordering};

/// A cell whose content is reached through [`MutPtr`], so that a model checker can see when each access begins and ends.
#[derive(Debug)]
pub(super) struct UnsafeCell<T>(std::cell::UnsafeCell<T>);

impl<T> UnsafeCell<T> {
    /// A cell with this content.
    pub(super) fn new(content: T) -> Self {
        Self(std::cell::UnsafeCell::new(content))
    }

    /// A pointer to the content; the access lasts as long as the pointer lives.
    pub(super) fn get_mut(&self) -> MutPtr<T> {
        MutPtr(self.0.get())
    }
}

/// One access to the content of an [`UnsafeCell`].
#[derive(Debug)]
pub(super) struct MutPtr<T>(*mut T);

impl<T> MutPtr<T> {
    /// The content.
    ///
    /// # Safety
    /// The cell must still exist, and nobody else may reach its content as long as this pointer lives.
    #[expect(clippy::mut_from_ref, reason = "the shape of the model checker's type of the same name")]
    pub(super) unsafe fn deref(&self) -> &mut T {
        // SAFETY: promised by the caller.
        unsafe { &mut *self.0 }
    }
}
