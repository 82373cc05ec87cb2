//! Whether the voice of who hears a mix-minus comes back to them by a way outside the desk, as people are told it.

use crate::dsp::correlation::Echo;
use crate::profile::Id;
use serde::{Deserialize, Serialize};

/// What a column of the engine's followers works for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Return {
    /// The mix-minus bus.
    pub bus: Id,
    /// The channels that are left out of it.
    pub less: Vec<Id>,
}

/// One way of the slow figure.
#[derive(Clone, Copy, Debug, Serialize, Deserialize, PartialEq)]
pub struct Correlated {
    /// How much of the one is in the other at the lag at which it is most, dB.
    pub db: f64,
    /// What chance alone may show, dB: nothing below it means anything.
    pub floor_db: f64,
    /// That lag, ms.
    pub ms: f64,
    /// Whether it is above the floor.
    pub above: bool,
}

impl From<Echo> for Correlated {
    fn from(echo: Echo) -> Self {
        let tenth = |value: f64| (value * 10.0).round() / 10.0;
        let [db, floor_db, ms] = [echo.db, echo.floor_db, 1e3 * echo.lag_s].map(tenth);
        Self { db, floor_db, ms, above: echo.is_heard() }
    }
}

/// The slow figure of one mix-minus bus; its ways are none before both sides were heard for a minute.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
pub struct OwnVoice {
    /// The bus.
    pub bus: String,
    /// What they give, in what is returned to them.
    pub comes_back: Option<Correlated>,
    /// What is returned to them, in what they give.
    pub sent_back: Option<Correlated>,
}

impl OwnVoice {
    /// What was found about a bus.
    #[must_use]
    pub fn new(bus: &Id, back: Option<Echo>, sent: Option<Echo>) -> Self {
        Self { bus: bus.to_string(), comes_back: back.map(Correlated::from), sent_back: sent.map(Correlated::from) }
    }
}
