//! OSC messages as the desk sees them, whoever carried them.

/// One OSC argument.
#[derive(Clone, Debug, PartialEq)]
pub enum Argument {
    /// `i`, and `h` where it fits.
    Int(i32),
    /// `f`, and `d` rounded.
    Float(f32),
    /// `s` and `S`.
    Text(String),
    /// `T` and `F`.
    Bool(bool),
    /// `b`.
    Blob(Vec<u8>),
    /// `N` and `I`.
    Nothing,
}

/// One OSC message.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    /// The address or address pattern.
    pub address: String,
    /// Its arguments in order.
    pub arguments: Vec<Argument>,
}
