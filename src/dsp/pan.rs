//! Pan laws for a mono source, balance for a stereo one.

use crate::dsp::math::sin_turns;
use crate::units::Pan;

/// How a mono source is divided between left and right on its way from side to side.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum PanLaw {
    /// Sine and cosine: the power stays constant, -3.01 dB at centre. For general mixing.
    EqualPower,
    /// The geometric mean of the other two, -4.52 dB at centre. For listeners on one small loudspeaker.
    Compromise,
    /// The sum of both sides stays constant, -6.02 dB at centre. For what is heard in mono.
    Linear,
}

/// The gains of left and right for a mono source; exactly 1 and 0 at the sides.
///
/// Real-time: safe
#[must_use]
pub fn gains(law: PanLaw, pan: Pan) -> [f32; 2] {
    let place = (f64::from(pan.get()) + 1.0) * 0.5;
    // Two sines rather than a sine and a cosine: exact at both sides, and the sides mirror each other bit for bit.
    let power = [sin_turns((1.0 - place) * 0.25), sin_turns(place * 0.25)];
    let linear = [1.0 - place, place];
    let sides = match law {
        PanLaw::EqualPower => power,
        PanLaw::Compromise => [(power[0] * linear[0]).sqrt(), (power[1] * linear[1]).sqrt()],
        PanLaw::Linear => linear,
    };
    sides.map(|gain| gain as f32)
}

/// The gains of left and right for a stereo source: the far side goes down, the near side stays at exactly 1.
///
/// Real-time: safe
#[must_use]
pub fn balance(pan: Pan) -> [f32; 2] {
    [(1.0 - pan.get()).min(1.0), (1.0 + pan.get()).min(1.0)]
}
