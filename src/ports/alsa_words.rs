//! What the ALSA library would print on the standard error output goes to the log instead, where a service has it and a
//! person who asked for a list does not have to read it.

use alsa::Output;
use std::cell::RefCell;
use std::rc::Rc;

/// Keeps the library's words of this thread until it is dropped; then they are logged.
#[must_use]
pub(super) struct Kept(Option<Rc<RefCell<Output>>>);

/// Begins to keep the words that ALSA has for this thread.
pub(super) fn keep() -> Kept {
    Kept(Output::local_error_handler().ok())
}

impl Drop for Kept {
    fn drop(&mut self) {
        let Some(output) = &self.0 else { return };
        // Another buffer takes the place of ours, which would otherwise grow with whatever the thread does next.
        drop(Output::local_error_handler());
        for line in output.borrow().to_string().lines().filter(|line| !line.trim().is_empty()).take(32) {
            tracing::debug!("{line}");
        }
    }
}
