//! The texts that an operator reads, by screen. A text with something in it is a function of that.
//!
//! Words of the trade, whole words; what is wrong in one line, what to do in the next. A caution stands where the hazard is met and
//! leaves the last word to local codes and licensed people. Help of a command stands beside its options, diagnostics of files
//! in `profile`, answers of `why` still in `desk/why.rs`.

/// A level for people. What is below what any converter tells apart is silence.
#[must_use]
pub fn level(dbfs: f32) -> String {
    if dbfs <= -149.5 { "silence".to_owned() } else { format!("{dbfs:.0} dBFS") }
}

/// A number for people: one decimal, more only where it would be 0 otherwise.
#[must_use]
pub fn number(number: f32) -> String {
    if number != 0.0 && number.abs() < 0.05 { format!("{number:.3}") } else { format!("{number:.1}") }
}

/// What is wrong, and what to do: `longthrow status` and the alarms of the log.
pub mod wrong {
    use std::fmt::Display;

    /// What is wrong, and what to do.
    pub type Pair = (String, String);

    fn pair(what: String, remedy: impl Into<String>) -> Pair {
        (what, remedy.into())
    }

    /// By what an audio device is reached.
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub enum Reach {
        /// A cable.
        Plug,
        /// A server that somebody starts.
        Jack,
        /// The desktop's own.
        PipeWire,
    }

    /// An audio device.
    #[must_use]
    pub fn device_away(device: &str, reach: Reach) -> Pair {
        let remedy = match reach {
            Reach::Plug => "look at its plug and power; it is taken back by itself when it is there again",
            Reach::Jack => "see that its JACK server runs, as this user; it is taken back by itself then",
            Reach::PipeWire => {
                "see that PipeWire runs in this session, and that pipewire-jack and pipewire-bin are installed; it is taken \
                 back by itself then"
            }
        };
        pair(format!("device {device} is not there"), remedy)
    }

    /// On air, and nothing is heard.
    #[must_use]
    pub fn programme_silent(dbfs: f32, found: Option<String>) -> Pair {
        let level = super::level(dbfs);
        let remedy = found.unwrap_or_else(|| "open what should be heard".to_owned());
        pair(format!("the programme is silent ({level})"), remedy)
    }

    /// A file that an input plays.
    #[must_use]
    pub fn file_unreadable(why: &str) -> Pair {
        let remedy = "put the file there, or name another in the rig; it is tried again by itself";
        pair(format!("a file cannot be played: {why}"), remedy)
    }

    /// Line-up tone where listeners hear it.
    #[must_use]
    pub fn tone_on_air(bus: &str) -> Pair {
        pair(format!("tone is on air on bus {bus}"), format!("say /bus/{bus}/tone off"))
    }

    /// A mix-minus with its own contributor in it.
    #[must_use]
    pub fn hears_themselves(bus: &str) -> Pair {
        let remedy = "close what carries their line a second time, or take that output off until it is found";
        pair(format!("who hears {bus} hears themselves in it"), remedy)
    }

    /// A port of the panel.
    #[must_use]
    pub fn control_port_away(port: &str, why: &str) -> Pair {
        pair(format!("control port {port} is not there ({why})"), "look at its cable; faders stay where they were")
    }

    /// A node of the panel.
    pub const NODE_SILENT: &str = "its node does not answer";

    /// An open channel that the show does not have.
    #[must_use]
    pub fn left_over(channel: &str) -> Pair {
        pair(format!("channel {channel} is open and not in this profile"), "close it when it is no longer needed")
    }

    /// An address at which nobody can be heard.
    #[must_use]
    pub fn osc_unreachable(address: impl Display, why: impl Display) -> Pair {
        let remedy = "another program has the port, or the machine has no such address: see [network] in the rig";
        pair(format!("nobody can reach the desk by OSC at {address} ({why})"), remedy)
    }

    /// A start on files of before.
    #[must_use]
    pub fn fell_back() -> Pair {
        let remedy =
            "the log of the start says why; \"longthrow check\" shows every mistake, saving a file reads it again";
        pair("the desk runs on the last accepted files, not on those of now".to_owned(), remedy)
    }

    /// An edit that was refused.
    #[must_use]
    pub fn files_refused(first: &str, revision: u64) -> Pair {
        let remedy = format!("mend them (\"longthrow check\" shows all); revision {revision} stays in force");
        (format!("the files were changed and refused: {first}"), remedy)
    }
}

/// Whether the programme leaves the desk.
pub mod air {
    /// Nothing that could carry it.
    pub const NO_FEED: &str = "the rig has no output of kind \"feed\"";

    /// How it leaves.
    #[must_use]
    pub fn carries(output: &str, bus: &str) -> String {
        format!("{output} carries {bus}")
    }

    /// Why it does not.
    #[must_use]
    pub fn device_away(device: &str, output: &str) -> String {
        format!("device {device}, on which output {output} hangs, is not there")
    }

    /// The same; no level is off.
    #[must_use]
    pub fn level(output: &str, db: Option<f32>) -> String {
        match db {
            None => format!("the level of output {output} is off"),
            Some(db) => format!("the level of output {output} is {} dB", super::number(db)),
        }
    }
}

/// The screen of `longthrow status`, a line or lines each.
pub mod status {
    /// The first line.
    #[must_use]
    pub fn air(on_air: bool, how: &str) -> String {
        if on_air { format!("ON AIR: {how}\n") } else { format!("NOT ON AIR: {how}\n") }
    }

    /// Above the list of live microphones.
    #[must_use]
    pub fn microphones(count: usize, on_air: bool) -> String {
        match count {
            0 => "No microphone is live.\n".to_owned(),
            1 if !on_air => {
                "1 MICROPHONE IS OPEN, and heard as soon as the programme leaves the desk again:\n".to_owned()
            }
            count if !on_air => {
                format!("{count} MICROPHONES ARE OPEN, and heard as soon as the programme leaves the desk again:\n")
            }
            1 => "1 MICROPHONE IS LIVE:\n".to_owned(),
            count => format!("{count} MICROPHONES ARE LIVE:\n"),
        }
    }

    /// A channel that is heard.
    #[must_use]
    pub fn live(label: &str, channel: &str, dbfs: f32) -> String {
        format!("  {label} ({channel}), {}\n", super::level(dbfs))
    }

    /// All is well.
    pub const NOTHING_WRONG: &str = "Nothing is wrong.\n";

    /// The worst of what is wrong.
    #[must_use]
    pub fn worst(what: &str, remedy: &str, call: Option<&str>) -> String {
        let call = call.map(|call| format!("  {}", self::call(call))).unwrap_or_default();
        format!("WRONG: {what}\n  What to do: {remedy}\n{call}")
    }

    /// The panel while it is locked.
    pub const LOCKED: &str =
        "The panel is locked: it closes microphones and takes a rung of the panic ladder, no more.\n";

    /// A rung of the panic ladder, since it was taken.
    #[must_use]
    pub fn panic(rung: &str) -> String {
        format!("PANIC: {rung} is in force; \"desk.restore\" brings the prepared mix back, switches stay with hands\n")
    }

    /// A room in which somebody is heard, or which is muted for them.
    #[must_use]
    pub fn room(label: &str, id: &str, live: bool, muted: bool) -> String {
        let live = if live { "LIVE" } else { "not live" };
        let muted = if muted { ", its loudspeakers are muted" } else { "" };
        format!("Room {label} ({id}): {live}{muted}\n")
    }

    /// Somebody who talks back.
    #[must_use]
    pub fn talking(who: &str) -> String {
        format!("TALKBACK: {who}\n")
    }

    /// What is listened to beside the mix.
    #[must_use]
    pub fn listening(what: &[String]) -> String {
        format!("{} listened to: {}\n", what.len(), what.join(", "))
    }

    /// Controls that have not said where they stand.
    #[must_use]
    pub fn not_moved(names: &str) -> String {
        format!("not moved yet, so their places are not known: {names}")
    }

    /// The rest of it.
    #[must_use]
    pub fn also(what: &str, remedy: &str) -> String {
        format!("  also: {what}\n    What to do: {remedy}\n")
    }

    /// Whom to call.
    #[must_use]
    pub fn call(call: &str) -> String {
        format!("Whom to call: {call}\n")
    }

    /// How loud it is.
    #[must_use]
    pub fn programme(dbfs: f32) -> String {
        format!("\nProgramme: {}\n", super::level(dbfs))
    }

    /// Above what is open and no microphone.
    pub const OPEN_BESIDES: &str = "Open besides:\n";

    /// Which show, and whether anybody is there.
    #[must_use]
    pub fn show(profile: &str, revision: u64, attended: bool, idle_s: Option<u64>) -> String {
        let hand = idle_s.map_or("no control was used yet".to_owned(), |s| format!("last control {} ago", since(s)));
        let attended = if attended { "attended" } else { "unattended" };
        format!("Show: \"{profile}\", revision {revision}; {attended}, {hand}\n")
    }

    /// Time, for people.
    fn since(seconds: u64) -> String {
        match seconds {
            0..60 => format!("{seconds} s"),
            60..3600 => format!("{} min", seconds / 60),
            _ => format!("{} h {} min", seconds / 3600, seconds / 60 % 60),
        }
    }

    /// Above the decisions.
    pub const DECIDED: &str = "\nDecided lately:\n";
}

/// `longthrow recall`.
pub mod recall {
    /// All that differs stays.
    pub const RECALLS_NOTHING: &str = "nothing of it is done: all of it stays as it is\n";

    /// A time that is still to come.
    #[must_use]
    pub fn in_the_future(at: &str, now: &str) -> String {
        format!("{at} has not been yet: the clock of this machine shows {now}")
    }

    /// A time before all that is known.
    #[must_use]
    pub fn before_the_journal(first: Option<&str>) -> String {
        match first {
            Some(first) => {
                format!("the journal does not reach back so far: it begins at {first}; ask for a time after that")
            }
            None => "the journal has no run yet: there is no earlier mix to recall".to_owned(),
        }
    }
}

/// `longthrow assign`.
pub mod teach {
    /// Somebody else was first.
    #[must_use]
    pub fn somebody_else(left_s: u64) -> String {
        format!("somebody else is about to touch a control; the panel is free again when they have, or in {left_s} s")
    }
}

/// `longthrow new`: questions and cautions.
pub mod new {
    /// After the questions, with the three files.
    #[must_use]
    pub fn written([rig, panel, profile]: &[String; 3]) -> String {
        format!(
            "\nWritten: {rig}, {panel}, {profile}\n\nThe next step:\n  longthrow run --rig {rig} --panel {panel} --profile \
             {profile}\nEvery switch is closed and headphones start at -40 dB. Leave them off until you have heard how loud it is.\n"
        )
    }
    /// The house.
    pub const NAME: &str = "What is the house called?";
    /// Its name where nobody says another.
    pub const NAME_USUAL: &str = "Our house";
    /// Players.
    pub const PLAYERS: &str = "WAV files to be played (separated by commas)?";
    /// Guests.
    pub const GUESTS: &str = "Remote guests, called by a program on this machine (names, separated by commas)?";
    /// Headphones.
    pub const HEADPHONES: &str = "Headphones on which outputs?";
    /// Loudspeakers, with the caution.
    pub const LOUDSPEAKERS: &str =
        "Loudspeakers on which outputs? They need an amplifier with an off switch of its own.";
    /// The encoder.
    pub const ENCODER: &str =
        "Where is the programme encoded: \"here\" by a program on this machine, or on which outputs?";
    /// Before devices are listened to, with the caution.
    pub const SPEAK: &str = "Speak into the one you mean. Phantom power: mute, switch, wait, then plug; what the house rules or a \
                             licensed person say goes first.";
    /// No device.
    pub const NO_DEVICE: &str = "  none was found; the desk runs without, and a device can be added to rig.toml later";
    /// Microphones.
    pub const MICROPHONES: &str = "Microphones on it (names, separated by commas)?";
    /// One microphone.
    #[must_use]
    pub fn speak_into(name: &str) -> String {
        format!("Speak into \"{name}\".")
    }
    /// Its channel.
    #[must_use]
    pub fn channel_of(name: &str) -> String {
        format!("Channel of \"{name}\"?")
    }
}
