//! (room)
