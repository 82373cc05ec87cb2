//! What the desk tells the engine: commands in batches, and edit lists that add and remove columns.

use super::feed::Feed;
use super::followers::Own;
use super::stages::StageValue;
use crate::dsp::delay::DelayLine;

/// The banks of columns, in signal order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Bank {
    /// Channels.
    Sources,
    /// Sums of channels.
    Buses,
    /// What a bus is without somebody's own share, or that share: see [`Own`](super::Own).
    Followers,
    /// What leaves.
    Outputs,
}

/// Where a bus takes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Tap {
    /// A source after its fader.
    AfterFader,
    /// A source before its fader, behind its switch: the gate of [`Target::SendGate`].
    PreFader,
    /// A source before fader and switch.
    Input,
    /// A bus of a lower level.
    Bus,
    /// What follows a bus of a lower level.
    Follower,
}

impl Tap {
    /// How many there are.
    pub const COUNT: usize = 5;
    /// All of them, in the order of the sums.
    pub const ALL: [Self; Self::COUNT] = [Self::AfterFader, Self::PreFader, Self::Input, Self::Bus, Self::Follower];

    /// The bank whose columns it is of.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn bank(self) -> Bank {
        match self {
            Self::AfterFader | Self::PreFader | Self::Input => Bank::Sources,
            Self::Bus => Bank::Buses,
            Self::Follower => Bank::Followers,
        }
    }
}

/// What a source is in the sharing of gains.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum SharingValue {
    /// Which group it is in, 1 to [`SHARING_GROUPS`](super::limits::SHARING_GROUPS); 0 is none.
    Group,
    /// Its priority as a power: 1 is 0 dB. 0 takes no share and has a gain of 1.
    Weight,
    /// 1 when it has one gain with the other column of its pair.
    Linked,
}

impl SharingValue {
    /// What a column has that was never told.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn unset(self) -> f32 {
        match self {
            Self::Weight => 1.0,
            Self::Group | Self::Linked => 0.0,
        }
    }
}

/// How a source or bus makes room for the voices of a sharing group.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DuckingValue {
    /// Under which sharing group it is; 0 is none.
    Under,
    /// How far below the voice, LU; 0 goes by the depth alone.
    Difference,
    /// How far down at most, dB.
    Depth,
    /// What it gains of its way down per tick.
    Attack,
    /// How many ticks it stays.
    Hold,
    /// What it gains of its way back per tick.
    Release,
}

/// One value of the engine that the desk may aim at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Target {
    /// Gain before everything, with the sign of the polarity; sources only.
    Trim {
        /// Which source.
        column: u16,
    },
    /// By how many frames a source is delayed, behind its trim, or an output, before its level. There has to be memory for it.
    Delay {
        /// Sources or outputs.
        bank: Bank,
        /// Which column.
        column: u16,
    },
    /// The fader's gain.
    Level {
        /// Which bank.
        bank: Bank,
        /// Which of its columns.
        column: u16,
    },
    /// 1 open, 0 closed, by a ramp whose time depends on the direction.
    Gate {
        /// Which bank.
        bank: Bank,
        /// Which of its columns.
        column: u16,
    },
    /// 1 lets a source through to whoever takes it before its fader, 0 does not; a ramp as that of the gate.
    SendGate {
        /// Which source.
        column: u16,
    },
    /// A value of a stage; not of outputs.
    Stage {
        /// Which bank.
        bank: Bank,
        /// Which of its columns.
        column: u16,
        /// Which value.
        value: StageValue,
    },
    /// A value of the gain sharing of a source.
    Sharing {
        /// Which source.
        column: u16,
        /// Which value.
        value: SharingValue,
    },
    /// A value of the room that a source or bus makes for voices. That of the first column of a bus counts.
    Ducking {
        /// Sources or buses.
        bank: Bank,
        /// Which of its columns.
        column: u16,
        /// Which value.
        value: DuckingValue,
    },
    /// How much of something reaches a bus, sign and pan included.
    ToBus {
        /// Where it is taken.
        tap: Tap,
        /// Column of the tap's bank.
        from: u16,
        /// Bus column.
        to: u16,
    },
    /// How much of a bus reaches an output.
    ToOutput {
        /// Bus column.
        from: u16,
        /// Output column.
        to: u16,
    },
    /// What the leveller of a bus goes by.
    Leveller {
        /// The first bus column of a pair.
        column: u16,
        /// Which value.
        value: LevellerValue,
    },
    /// The ceiling of the true-peak limiter behind an output, as amplitude; 0 is none. That of the first column of a pair
    /// counts for both.
    Ceiling {
        /// Output column.
        column: u16,
    },
}

/// One value of a leveller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LevellerValue {
    /// The loudness it goes for, LUFS; 0 is none.
    Target,
    /// How far it may go either way, dB.
    Range,
    /// What it goes by, seconds of active programme.
    Window,
    /// Below which loudness nothing moves, LUFS.
    Floor,
    /// The fastest it moves, dB per second.
    Speed,
}

/// Aim a target at a value. Absolute, so that a later one for the same target replaces an earlier one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Command {
    /// What.
    pub target: Target,
    /// Where to: a finite factor.
    pub value: f32,
}

/// One step of an edit list. There may be ten thousand in a list, so what is large stands in a box.
#[derive(Clone, Debug, PartialEq)]
pub enum Edit {
    /// A column comes into use: silent at first, then up by a ramp. Its values are set by the `Jump`s that follow.
    Start {
        /// Which bank.
        bank: Bank,
        /// Which column.
        column: u16,
        /// Length of the ramp in frames.
        ramp_frames: u32,
    },
    /// A column comes into use beside another whose values and running glides it takes over.
    Beside {
        /// Which of the sources is new.
        column: u16,
        /// Which it stands beside.
        of: u16,
        /// Length of the ramp in frames.
        ramp_frames: u32,
    },
    /// The leveller of a bus goes on, in other columns, from where it stands.
    TakeOverLeveller {
        /// The first column of the pair that goes on.
        column: u16,
        /// The first column of the pair that it was.
        of: u16,
    },
    /// A column goes: down by a ramp, then it is out of use.
    Leave {
        /// Which bank.
        bank: Bank,
        /// Which column.
        column: u16,
        /// Length of the ramp in frames.
        ramp_frames: u32,
    },
    /// A column in use is held silent (0) or let be heard again (1), by a ramp of its own: a device that went or came back.
    Fade {
        /// Which bank.
        bank: Bank,
        /// Which column.
        column: u16,
        /// 0 or 1.
        value: f32,
        /// Length of the ramp in frames.
        ramp_frames: u32,
    },
    /// A follower's column comes into use: from silence, with the equaliser of what it follows, to come up by a ramp.
    Follow {
        /// Which column.
        column: u16,
        /// The bus column that it follows.
        leader: u16,
        /// Whether it is all but the share; otherwise the share alone.
        without: bool,
        /// Length of the ramp in frames.
        ramp_frames: u32,
    },
    /// Whose share a follower's column is about.
    Own {
        /// Which column.
        column: u16,
        /// Whose.
        own: Box<Own>,
    },
    /// Where a source column takes its sound from.
    Connect {
        /// Which source.
        column: u16,
        /// Which feed.
        feed: u16,
        /// Left 0 or right 1 of the feed.
        side: u8,
    },
    /// Where an output column goes.
    Wire {
        /// Which output.
        column: u16,
        /// Which wire of the callback; `None` goes nowhere.
        wire: Option<u16>,
        /// Whether its level is held below the ceiling of headphones and loudspeakers. A pair is held together.
        limited: bool,
    },
    /// Set a target at once, without a glide: for columns that are still silent.
    Jump(Command),
    /// Aim a target, with its glide.
    Aim(Command),
}

/// A list of edits that takes effect as a whole at one grid line. It is built by the desk, crosses by pointer
/// and comes back with what the engine is done with, to be dropped elsewhere.
#[derive(Debug, Default)]
pub struct Plan {
    /// Place in the one sequence of batches and plans.
    pub sequence: u64,
    /// The edits in order.
    pub edits: Vec<Edit>,
    /// Feeds to be put into their slots; afterwards what was there before.
    pub feeds: Vec<(u16, Feed)>,
    /// Memory for the delays of columns of sources or outputs, or none; afterwards what was there before.
    pub delays: Vec<(Bank, u16, Option<Box<DelayLine>>)>,
}
