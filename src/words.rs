//! The texts that an operator reads, by screen. A text with something in it is a function of that.
//!
//! Words of the trade, whole words; what is wrong in one line, what to do in the next. A caution stands where the hazard is met and
//! leaves the last word to local codes and licensed people. Help of a command stands beside its options, diagnostics of files
//! in `profile`.

/// A level for people.
#[must_use]
pub fn level(dbfs: f32) -> String {
    reading(dbfs, -150.0, 0, "dBFS")
}

/// What a meter reads, for people. Its floor is far below what any converter tells apart, and so is silence.
#[must_use]
pub fn reading(value: f32, floor: f32, digits: usize, unit: &str) -> String {
    if value <= floor + 0.5 { "silence".to_owned() } else { format!("{value:.digits$} {unit}") }
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

    impl Reach {
        /// What to look at when it is not there.
        #[must_use]
        pub const fn look(self) -> &'static str {
            match self {
                Self::Plug => "look at its plug and power",
                Self::Jack => "see that its JACK server runs, as this user",
                Self::PipeWire => {
                    "see that PipeWire runs in this session, and that pipewire-jack and pipewire-bin are installed"
                }
            }
        }
    }

    /// An audio device.
    #[must_use]
    pub fn device_away(device: &str, reach: Reach) -> Pair {
        let remedy = format!("{}; it is taken back by itself then", reach.look());
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

    /// A voice that comes back to its speaker by a way outside the desk.
    #[must_use]
    pub fn comes_back(bus: &str, db: f64, ms: f64) -> Pair {
        let remedy =
            "look for a loudspeaker near an open microphone, or for another guest who listens without headphones";
        pair(
            format!("who hears {bus} comes back to themselves at {db:.0} dB, {ms:.0} ms late, over another channel"),
            remedy,
        )
    }

    /// A return that comes in again.
    #[must_use]
    pub fn sent_back(bus: &str, db: f64, ms: f64) -> Pair {
        let remedy = "ask them for headphones; or another open microphone hears them before their own line brings them";
        pair(format!("who hears {bus} sends back what they hear at {db:.0} dB, {ms:.0} ms later"), remedy)
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
    /// All feeds are the ears of guests.
    pub const ONLY_GUESTS: &str =
        "every program that gets sound from here gets a mix-minus, and no feed carries the programme";

    /// How it leaves.
    #[must_use]
    pub fn carries(output: &str, bus: &str) -> String {
        format!("{output} carries {bus}")
    }

    /// Why it does not.
    #[must_use]
    pub fn device_away(device: &str, output: &str, reach: super::wrong::Reach) -> String {
        format!("device {device}, on which output {output} hangs, is not there: {}", reach.look())
    }

    /// The same; no level is off.
    #[must_use]
    pub fn level(output: &str, db: Option<f32>) -> String {
        match db {
            None => format!("the level of output {output} is off: raise it"),
            Some(db) => format!("the level of output {output} is {} dB: raise it", super::number(db)),
        }
    }
}

/// The screen of `longthrow status`, a line or lines each.
pub mod status {
    /// Below its help.
    pub const EXIT_CODES: &str = "Exit codes: 0 nothing is wrong, 1 something is, 3 no desk runs there.";

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
    /// The same while nothing leaves the desk.
    pub const NOTHING_ELSE_WRONG: &str = "Nothing else is wrong.\n";

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

    /// How loud it is to the ear.
    #[must_use]
    pub fn loudness(short_term: Option<f32>, integrated: Option<f32>) -> String {
        let lufs = |found: Option<f32>| found.map_or("nothing measured".to_owned(), |lufs| format!("{lufs:.1} LUFS"));
        format!("Loudness: {} in the last 3 s, {} since the start\n", lufs(short_term), lufs(integrated))
    }

    /// How loud the rest of the show has to be.
    #[must_use]
    pub fn heading(left_s: f32, lufs: Option<f32>, reach_lu: f64) -> String {
        let left = if left_s < 60.0 { format!("{left_s:.0} s") } else { format!("{:.0} min", left_s / 60.0) };
        match lufs {
            _ if left_s <= 0.0 => "Rest of the show: none, its time is over\n".to_owned(),
            Some(lufs) => {
                format!("Rest of the show: {left}, to be at {lufs:.1} LUFS for the whole to come to its target\n")
            }
            None => format!(
                "Rest of the show: {left}, in which its target cannot be made up: \
                 no level within {reach_lu:.0} LU of it brings the whole there\n"
            ),
        }
    }

    /// By how much an output is late beside a picture.
    #[must_use]
    pub fn lip_sync(
        output: &str,
        total_ms: f64,
        frames_of_25: f64,
        [delay_ms, limiter_ms]: [f64; 2],
        device_ms: Option<f64>,
    ) -> String {
        let device = device_ms.map_or("its device has not said".to_owned(), |ms| format!("its device {ms:.1}"));
        let delay = if delay_ms > 0.0 { format!("delay {delay_ms:.1}, ") } else { String::new() };
        format!(
            "Lip sync: {output} is {total_ms:.1} ms late, {frames_of_25:.2} video frames at 25 a second \
             ({delay}limiter {limiter_ms:.1}, {device})\n"
        )
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
    use std::fmt::Display;

    /// What is recalled.
    pub const BEFORE_THE_LAST: &str = "the mix of before the last recall";
    /// A way that is too short or too long.
    pub const WAY_TAKES: &str = "the way there takes 0.2 to 60 s";
    /// A journal of which a part is gone.
    pub const NO_FILES_OF_RUN: &str = "the journal has no files of that run";

    /// The mix of a time: by the journal of the run that began then, which may have ended before the time.
    #[must_use]
    pub fn of_then(profile: &str, began: &str, goes_on: bool) -> String {
        let ended = if goes_on { "" } else { ", as its journal ends" };
        format!("the mix of then, profile \"{profile}\", by the journal of the run that began at {began}{ended}")
    }

    /// A journal that nobody can read.
    #[must_use]
    pub fn journal_unreadable(error: impl Display) -> String {
        format!("the journal cannot be read: {error}")
    }

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

/// Scenes of a profile: kept and recalled.
pub mod scenes {
    /// Why something stays as it is.
    pub const MICROPHONE: &str = "a microphone is opened by a hand";
    /// The same.
    pub const ON_AIR: &str = "it is on air";
    /// The same.
    pub const REFUSED: &str = "the desk does not let this hand move it";
    /// The same.
    pub const BEFORE_FADER: &str = "it would be heard before its fader at once";
    /// The same.
    pub const BUS_HEARD: &str = "a bus is heard";
    /// Nothing to take back.
    pub const NOTHING_RECALLED: &str = "nothing was recalled before";
    /// A recall that begins.
    pub const EARLIER_MIX: &str = "an earlier mix is recalled";
    /// The same.
    pub const TAKEN_BACK: &str = "the last recall is taken back";
    /// A scene that has no way into the profile.
    pub const NOBODY_WRITES: &str = "nobody writes it";

    /// The same of a scene.
    #[must_use]
    pub fn recalled(scene: &str) -> String {
        format!("scene {scene} is recalled")
    }

    /// How long any of them takes.
    #[must_use]
    pub fn over(what: &str, seconds: f32) -> String {
        format!("{what} over {seconds} s")
    }

    /// What stays as it is, and why.
    #[must_use]
    pub fn keeps(id: &str, count: usize, why: &str) -> String {
        let values = if count == 1 { "value" } else { "values" };
        format!("{id} keeps {count} {values}: {why}")
    }

    /// A scene that there is not.
    #[must_use]
    pub fn no_scene(id: &str, near: Option<&str>) -> String {
        let near = near.map(|near| format!("; the nearest is \"{near}\"")).unwrap_or_default();
        format!("there is no scene \"{id}\"{near}")
    }

    /// A name that no file takes.
    #[must_use]
    pub fn no_id(id: &str) -> String {
        format!("\"{id}\" is no id: lower-case letters, digits and single hyphens")
    }

    /// One scene too many.
    #[must_use]
    pub fn too_many(at_most: usize) -> String {
        format!("a profile has at most {at_most} scenes")
    }

    /// A fade that is too fast or too slow.
    #[must_use]
    pub fn fade(from: f32, to: f32) -> String {
        format!("a fade takes {from} to {to} s")
    }

    /// A scene about nothing.
    #[must_use]
    pub fn empty(id: &str) -> String {
        format!("nothing would be in scene {id}: it is about no channel or part")
    }

    /// A word that means no part of a mix.
    #[must_use]
    pub fn no_part(word: &str, parts: &[&str]) -> String {
        format!("\"{word}\" is no part of a mix; accepted: {}", parts.join(", "))
    }

    /// A button that is held.
    #[must_use]
    pub fn hand_keeps(id: &str) -> String {
        format!("a hand keeps the mix as scene {id}")
    }

    /// A scene in its profile.
    #[must_use]
    pub fn kept(id: &str, path: &str, values: usize) -> String {
        format!("scene {id} was kept in {path}: {values} values")
    }

    /// A scene that is not there now.
    #[must_use]
    pub fn not_kept(id: &str, why: &str) -> String {
        format!("scene {id} could not be kept: {why}")
    }
}

/// `longthrow assign`.
pub mod teach {
    use std::fmt::Display;

    /// Nothing to make something of.
    pub const NOTHING_TOUCHED: &str = "nothing was touched";
    /// A touch that never came.
    pub const NOBODY_TOUCHED: &str = "nobody touched a control in time";
    /// Something else is on its way.
    pub const BUSY: &str = "something is being assigned at this moment; try again";
    /// Who may not.
    pub const OF_STRANGER: &str = "controls are assigned from loopback or wired control only";
    /// Somebody ended it.
    pub const NO_MORE: &str = "no more teaching";
    /// What was assigned is taken back.
    pub const AS_BEFORE: &str = "it is as before";
    /// Nothing was assigned, or it was long ago.
    pub const NOTHING_TO_PUT_BACK: &str = "there is nothing to put back: \"longthrow history\" lists what was accepted";
    /// Where there is nothing to write into.
    pub const NO_FILES: &str =
        "the desk runs without a panel or profile file of its own to write into: start it with --panel and --profile";
    /// A port that an edit took away meanwhile.
    pub const PORT_GONE: &str = "its control port is no longer in the rig";
    /// A control that nobody had, and for which nobody wants anything.
    pub const NOT_IN_PANEL: &str = "it is not in the panel, and so moves nothing";

    /// Before a touch.
    pub const HANDS_OFF: &str = "touch nothing for two seconds";
    /// It is awaited.
    pub const TOUCH: &str = "move one control from end to end, or press it; it opens and raises nothing now";

    /// What was touched, when it is not clear.
    #[must_use]
    pub fn again(moved: &[String]) -> String {
        match moved {
            [one] => format!("{one} hardly moved: move it from end to end"),
            all => format!("{} moved alike: move one of them alone", all.join(" and ")),
        }
    }

    /// What was touched: what it says and where, its id and place if it is known, its kind, and what it moves.
    #[must_use]
    pub fn found(wire: &str, port: &str, known: Option<&(String, String)>, kind: &str, moves: &[String]) -> String {
        let known = known.map(|(id, place)| format!(" ({id}, {place})")).unwrap_or_default();
        let moves = if moves.is_empty() { "nothing".to_owned() } else { moves.join(", ") };
        format!("{wire} of {port}{known}: a {kind}, which moves {moves}")
    }

    /// What a control does now.
    #[must_use]
    pub fn moves(control: &str, target: Option<&str>) -> String {
        format!("{control} moves {}", target.unwrap_or("nothing"))
    }

    /// A control that there is not.
    #[must_use]
    pub fn no_control(named: &str, near: Option<&str>) -> String {
        let near = near.map(|near| format!("; the nearest is \"{near}\"")).unwrap_or_default();
        format!("the panel has no control \"{named}\"{near}")
    }

    /// A file that somebody edited meanwhile.
    #[must_use]
    pub fn changed_since(path: impl Display) -> String {
        format!("{path} was changed since and stays as it is")
    }

    /// What the check would refuse.
    #[must_use]
    pub fn nothing_written(mistake: &str) -> String {
        format!("nothing was written:\n{mistake}")
    }

    /// A word that means no kind of control.
    #[must_use]
    pub fn no_kind(word: &str, kinds: &[&str]) -> String {
        format!("\"{word}\" is no kind of control: {}", kinds.join(", "))
    }

    /// A name of which no id can be made.
    #[must_use]
    pub fn no_name(name: &str) -> String {
        format!("\"{name}\" is no name: it needs letters or digits")
    }

    /// Too late, or too early.
    pub const BEGIN_AGAIN: &str = "nobody waits for a touch any more: begin again";

    /// Somebody else was first, for so long at most; without a time for as long as their command runs.
    #[must_use]
    pub fn somebody_else(left_s: Option<u64>) -> String {
        let or = left_s.map_or_else(|| "end their command".to_owned(), |left_s| format!("in {left_s} s"));
        format!("somebody else is about to touch a control; the panel is free again when they have, or {or}")
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
    /// The panel.
    pub const PANEL: &str = "What is the panel? \"osc\" from any program on this machine, midi:NAME, jack-midi:CLIENT:PORT, serial:/dev/... \
                             (MIDI), node:/dev/... or node:ADDRESS:PORT";
    /// Its faders.
    pub const FADERS: &str = "What do the faders of the strips say? \"later\" teaches them by touch, with longthrow assign; for MIDI \
                              CHANNEL:FIRST-LAST are controllers, as in 1:16-23; for a node an address with N, as in /strip-N/fader";
    /// Its buttons.
    pub const BUTTONS: &str = "And the buttons that open them?";
    /// A MIDI port that is there.
    #[must_use]
    pub fn midi_port(name: &str) -> String {
        format!("A MIDI port of this machine: midi:{name}")
    }
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

/// `longthrow why`: what blocks, and what to do, in one sentence. Each says how one element of a path stands.
pub mod why {
    /// A channel with two sources carries the second.
    #[must_use]
    pub fn second_selected(second: &str) -> String {
        format!("its second source, {second}, is selected: source-select a goes back to the first")
    }

    /// A channel with two sources carries the first.
    #[must_use]
    pub fn first_selected(second: &str) -> String {
        format!("its first source is selected: source-select b is for {second}")
    }

    /// The answer.
    #[must_use]
    pub fn sentence(path: &str, says: &str) -> String {
        format!("{path}: {says}")
    }

    /// Where a parameter stands that blocks nothing.
    #[must_use]
    pub fn stands(value: impl std::fmt::Display) -> String {
        format!("it is {value}, and nothing refuses another")
    }

    /// Nothing is called so.
    #[must_use]
    pub fn nothing_called(path: &str, near: Option<&str>) -> String {
        let near = near.map_or_else(
            || "; \"longthrow params\" lists what there can be, the profile what there is".to_owned(),
            |near| format!("; the nearest is {near}"),
        );
        format!("nothing is called \"{path}\"{near}")
    }

    /// A rig without outputs.
    pub const NO_OUTPUTS: &str = "to hear it the rig needs an [output.ID]";

    /// It is heard.
    pub const HEARD: &str = "it is heard";

    /// The same, of a bus.
    #[must_use]
    pub fn heard_at(dbfs: f32) -> String {
        format!("{HEARD}, {}", super::level(dbfs))
    }

    /// Nothing is in its way, and maybe something has to be said besides.
    #[must_use]
    pub fn nothing_blocks(but: Option<&str>) -> String {
        but.map_or_else(|| "nothing blocks it".to_owned(), |but| format!("nothing blocks it; {but}"))
    }

    /// Names, and how many more there are.
    #[must_use]
    pub fn names(names: &str, more: usize) -> String {
        if more > 0 { format!("{names} and {more} more") } else { names.to_owned() }
    }

    /// A channel without a source.
    pub const NO_INPUT: &str = "its source is no input of the rig: name one with its parameter source";

    /// The device of an input.
    #[must_use]
    pub fn device_of_input(device: &str, input: &str, missing: Option<super::wrong::Reach>) -> String {
        match missing {
            None => format!("{device} brings input {input}"),
            Some(reach) => format!("device {device}, which brings input {input}, is not there: {}", reach.look()),
        }
    }

    /// The device of an output.
    #[must_use]
    pub fn device_of_output(device: &str, missing: Option<super::wrong::Reach>) -> String {
        match missing {
            None => format!("it hangs on device {device}"),
            Some(reach) => format!("device {device} is not there: {}", reach.look()),
        }
    }

    /// An input without a device.
    #[must_use]
    pub fn made_here(input: &str) -> String {
        format!("it carries input {input}, which is made here")
    }

    /// A file that cannot be played.
    #[must_use]
    pub fn file_unreadable(input: &str, why: &str) -> String {
        format!("the file of input {input} cannot be played: {why}")
    }

    /// A file that waits.
    #[must_use]
    pub fn file_starts(file: &str) -> String {
        format!("{file} starts when the channel is opened")
    }

    /// A file that is over.
    #[must_use]
    pub fn file_ended(file: &str, input: &str) -> String {
        format!("{file} of input {input} has come to its end: close the channel and open it again")
    }

    /// Where to look when a device's input is silent.
    pub const LOOK_AT_CABLE: &str = "look at the cable, the source and its own switch";
    /// The same of a file.
    pub const LOOK_AT_FILE: &str = "its file is silent here";
    /// The same of an input that is silence.
    pub const MADE_OF_SILENCE: &str = "it is made of silence";
    /// The same of a generator.
    pub const LOOK_AT_GENERATOR: &str = "it is turned down at its source";

    /// A silent input.
    #[must_use]
    pub fn no_signal(input: &str, dbfs: f32, look: &str) -> String {
        format!("no signal arrives at input {input} ({}): {look}", super::level(dbfs))
    }

    /// An input with a signal.
    #[must_use]
    pub fn input_has(input: &str, dbfs: f32) -> String {
        format!("input {input} has {}", super::level(dbfs))
    }

    fn trim(pad: Option<&str>, trim: (&str, f32)) -> String {
        let (trim, db) = trim;
        format!("{}{trim} at {db:.1} dB", pad.map_or_else(String::new, |pad| format!("{pad} on and ")))
    }

    /// Trim and pad that leave nothing; a second source has its own.
    #[must_use]
    pub fn trim_takes(pad: Option<&str>, of: (&str, f32), input: &str, arrives: f32, now: f32) -> String {
        let (arrives, now) = (super::level(arrives), super::level(now));
        format!("its {} brings input {input} from {arrives} to {now}: raise it", trim(pad, of))
    }

    /// Trim and pad that leave something.
    #[must_use]
    pub fn trim_makes(pad: Option<&str>, of: (&str, f32), now: f32) -> String {
        format!("its {} makes it {}", trim(pad, of), super::level(now))
    }

    /// A gate that does not open.
    #[must_use]
    pub fn gate_closed(now: f32, threshold: f32) -> String {
        let now = super::level(now);
        format!("its gate stays closed: {now} is below its threshold of {threshold:.0} dB; lower that, or turn it off")
    }

    /// One that takes a part.
    #[must_use]
    pub fn gate_takes(db: f32) -> String {
        format!("its gate takes {db:.0} dB")
    }

    /// A switch that is open.
    pub const SWITCH_OPEN: &str = "its switch is open";
    /// One that is not.
    pub const SWITCH_CLOSED: &str = "its switch is closed: open it by hand";
    /// A cough key.
    pub const COUGH: &str = "its cough key is held: let go of it";

    /// Another is heard in its place.
    #[must_use]
    pub fn soloed(channels: &str) -> String {
        format!("{channels} is in solo-in-place: end that to hear the others")
    }

    /// The switch of a gain group.
    #[must_use]
    pub fn gain_group(group: &str, open: bool) -> String {
        if open {
            format!("gain group {group} is open")
        } else {
            format!("gain group {group} is closed, and its members with it: open its switch by hand")
        }
    }

    /// Its fader.
    #[must_use]
    pub fn fader_of_gain_group(group: &str) -> String {
        format!("the fader of gain group {group}")
    }

    /// A gain group of nothing.
    pub const NO_MEMBERS: &str = "it has no members: name channels in its members";

    /// A gain group with members.
    #[must_use]
    pub fn members(members: &str, open: &str) -> String {
        if open.is_empty() {
            format!("none of its members is open: {members}")
        } else {
            format!("it adds its dB to {members}; open: {open}")
        }
    }

    /// The fader of whatever is asked about.
    pub const ITS_FADER: &str = "its fader";

    /// The fader of a bus.
    #[must_use]
    pub fn fader_of_bus(bus: &str) -> String {
        format!("the fader of bus {bus}")
    }

    /// The level of an output.
    #[must_use]
    pub fn level_of_output(output: &str) -> String {
        format!("the level of output {output}")
    }

    /// How such a thing stands; nothing is off.
    #[must_use]
    pub fn stands_at(name: &str, db: Option<f32>) -> String {
        db.map_or_else(|| format!("{name} is off"), |db| format!("{name} is at {db:.1} dB"))
    }

    /// What to do with it.
    pub const RAISE_IT: &str = ": raise it";

    /// Its control is not there.
    #[must_use]
    pub fn control_away(control: &str, why: &str) -> String {
        format!("; its control {control} is not there ({why})")
    }

    /// Its control waits.
    #[must_use]
    pub fn control_waits(control: &str, way: &str) -> String {
        format!("; {control} is {way}")
    }

    /// Gains that leave nothing together; the gain groups of it with what they add.
    #[must_use]
    pub fn gains_leave(fader: f32, trim: f32, groups: Option<(String, f32)>, dbfs: f32, input: &str) -> String {
        let groups = groups.map_or_else(String::new, |(names, db)| format!(", its gain group {names} at {db:.1} dB"));
        let left = super::level(dbfs);
        format!(
            "its fader at {fader:.1} dB{groups} and its trim of {trim:.1} dB bring input {input} to {left}: raise them"
        )
    }

    /// Stages of a channel that leave nothing.
    #[must_use]
    pub fn stages_take(stages: &[String], dbfs: f32) -> String {
        format!("its {} brings it to {}: turn it off", stages.join(" or its "), super::level(dbfs))
    }

    /// It makes room for voices.
    #[must_use]
    pub fn ducking(group: &str) -> String {
        format!("ducking under {group}")
    }

    /// Others have the gain.
    #[must_use]
    pub fn sharing(group: &str) -> String {
        format!("share of the gain in sharing group {group}")
    }

    /// A balance on the silent side.
    #[must_use]
    pub fn balance_away(to: &str, from: &str, input: &str) -> String {
        format!("its balance is on the {to}, and input {input} sounds on the {from} only: turn pan back")
    }

    /// On no bus.
    pub const NO_BUS: &str = "it is assigned to no bus: set its assign.programme to on";

    /// On these.
    #[must_use]
    pub fn goes_to(buses: &str) -> String {
        format!("it goes to {buses}")
    }

    /// A send.
    #[must_use]
    pub fn send_at(bus: &str, db: f32) -> String {
        format!("its send to {bus} is at {db:.1} dB")
    }

    /// Values of another profile.
    #[must_use]
    pub fn values_wait(count: usize) -> String {
        format!("{count} values of the profile wait until it is closed")
    }

    /// A bus that leaves nothing of what comes to it; what on it takes, and its fader.
    #[must_use]
    pub fn bus_takes(bus: &str, dbfs: f32, stages: &[String], fader: f32) -> String {
        let fader = (fader < 0.0).then(|| format!("its fader at {fader:.1} dB"));
        let parts: Vec<String> = stages.iter().map(|stage| format!("its {stage}")).chain(fader).collect();
        let look = match &parts[..] {
            [] => "look for a channel on it with reversed polarity".to_owned(),
            parts => format!("look at {}", parts.join(", ")),
        };
        format!("bus {bus} brings what comes to it to {}: {look}", super::level(dbfs))
    }

    /// A bus that is spoken to.
    #[must_use]
    pub fn gives_way(bus: &str, talkbacks: &str, dbfs: f32) -> String {
        format!(
            "bus {bus} gives way to talkback {talkbacks}, which leaves {} of it: let go of the key",
            super::level(dbfs)
        )
    }

    /// An output that leaves nothing of what it carries: by its level, and when it is dimmed.
    #[must_use]
    pub fn output_leaves(output: &str, dimmed: bool, level: f32, dbfs: f32) -> String {
        let dim = dimmed.then(|| "is dimmed, by its dim or a talkback beside it".to_owned());
        let remedy = if level < 0.0 { "raise it slowly" } else { "bring it back" };
        let level = (level < 0.0).then(|| format!("has its level at {level:.1} dB"));
        let parts: Vec<String> = dim.into_iter().chain(level).collect();
        format!("output {output} {}, which leaves {}: {remedy}", parts.join(" and "), super::level(dbfs))
    }

    /// An output that carries it.
    #[must_use]
    pub fn carried_by(output: &str) -> String {
        format!("output {output} carries it")
    }

    /// A bus that is a group of another.
    #[must_use]
    pub fn bus_goes_to(bus: &str, to: &str) -> String {
        format!("bus {bus} goes to {to}")
    }

    /// A bus that leads nowhere.
    #[must_use]
    pub fn no_output_carries(bus: &str, is_mix_minus: bool) -> String {
        let (nor, assign) =
            if is_mix_minus { ("", "") } else { (", and it is assigned to no bus", ", or assign it to a bus") };
        format!("no output carries bus {bus}{nor}: set the source of one to {bus}{assign}")
    }

    /// A bus without channels.
    #[must_use]
    pub fn no_channel_on(bus: &str) -> String {
        format!("no channel is assigned to bus {bus}: set the assign.{bus} of one to on")
    }

    /// What a mix-minus is now.
    #[must_use]
    pub fn mix_minus(bus: &str, of: &str, less: &str, waits: bool) -> String {
        let now = if waits { format!(" while {less} is closed") } else { String::new() };
        format!("bus {bus} is {of} less {less}{now}")
    }

    /// One of which its owner is all.
    #[must_use]
    pub fn nothing_but_the_own(minus: &str, of: &str) -> String {
        format!("{minus}, and no channel besides goes to {of}: assign to it who shall be heard")
    }

    /// One of which nobody else is open.
    #[must_use]
    pub fn no_other_open(minus: &str, channels: &str) -> String {
        format!("{minus}, and none of its other channels is open: {channels}")
    }

    /// Groups that keep everything back.
    #[must_use]
    pub fn groups_down(bus: &str, groups: &str) -> String {
        format!("what goes to bus {bus} comes by {groups}, which is down: raise its fader")
    }

    /// A bus of closed channels.
    #[must_use]
    pub fn none_open(bus: &str, channels: &str) -> String {
        format!("none of the channels of bus {bus} is open: {channels}")
    }

    /// Channels that are heard on it.
    #[must_use]
    pub fn open_on_it(channels: &str) -> String {
        format!("open on it: {channels}")
    }

    /// Channels that are open and silent.
    #[must_use]
    pub fn open_without_signal(channels: &str) -> String {
        format!("the channels that are open have no signal: {channels}")
    }

    /// An output that is fine.
    #[must_use]
    pub fn carries_and_is_heard(bus: &str) -> String {
        format!("it carries {bus} and is heard")
    }

    /// A loudspeaker that is muted, and for what.
    #[must_use]
    pub fn output_muted(output: &str, why: &str) -> String {
        format!("output {output} is muted: {why}")
    }

    /// Which microphones of a room keep its loudspeakers silent; none: they are closed again.
    #[must_use]
    pub fn microphone_live(room: &str, channels: &str) -> String {
        if channels.is_empty() {
            format!("a microphone in its room, {room}, was live until just now; it comes back by itself")
        } else {
            format!("{channels} in its room, {room}, is live; it comes back by itself when that is closed")
        }
    }

    /// A room with muted loudspeakers.
    #[must_use]
    pub fn room_muted(why: &str) -> String {
        format!("its loudspeakers are muted: {why}")
    }

    /// A room in which somebody is heard.
    #[must_use]
    pub fn room_live(channels: &str) -> String {
        format!("{channels} is live in it")
    }

    /// A room in which nobody is.
    pub const ROOM_QUIET: &str = "no channel carries a microphone of it, and its loudspeakers are not muted";

    /// The same, and what keeps somebody in it from being live.
    #[must_use]
    pub fn room_dark(channel: &str, why: &str) -> String {
        format!("no microphone in it is live: of channel {channel}, {why}")
    }

    /// A tally that is lit.
    #[must_use]
    pub fn tally_lit(bus: &str) -> String {
        format!("it is lit: it is heard on bus {bus}, which is on air")
    }

    /// The same, of a bus.
    #[must_use]
    pub fn bus_lit(bus: &str) -> String {
        format!("it is lit: bus {bus} is on air")
    }

    /// A tally that stays lit for a moment.
    pub const LIT_STILL: &str = "it is lit for half a second after the last that was heard";

    /// A tally that is dark.
    #[must_use]
    pub fn tally_dark(why: &str) -> String {
        format!("it is dark: {why}")
    }

    /// What no tally is lit for.
    #[must_use]
    pub fn no_microphone(input: &str) -> String {
        format!("input {input} is no microphone of a device, and only those light it")
    }

    /// A bus in rehearsal.
    #[must_use]
    pub fn in_rehearsal(bus: &str) -> String {
        format!("bus {bus} is in rehearsal: turn bus.{bus}.rehearsal off when it goes on air")
    }

    /// A bus that is never on air.
    #[must_use]
    pub fn never_on_air(bus: &str) -> String {
        format!("bus {bus} is never on air: that is what its air says")
    }

    /// A bus of one guest.
    #[must_use]
    pub fn mix_minus_off_air(bus: &str) -> String {
        format!("bus {bus} is a mix-minus, heard by who is left out of it, and not on air")
    }

    /// A bus that nobody outside hears.
    #[must_use]
    pub fn heard_inside(bus: &str, outputs: &str) -> String {
        let by =
            if outputs.is_empty() { "no output carries it".to_owned() } else { format!("only {outputs} carries it") };
        format!("bus {bus} is not on air: {by}; a feed, a line or a loudspeaker of no room would make it so")
    }

    /// Values that are refused.
    #[must_use]
    pub fn refused(value: &str, why: &str) -> String {
        format!("{value} is refused: {why}")
    }

    /// It is not listened to.
    pub const NOT_LISTENED: &str = "its listen is off: turn it on";

    /// It is listened to, by nobody.
    pub const NO_OUTPUT_LISTENS: &str =
        "it is listened to, and no output listens: turn the listen of headphones or a loudspeaker on";

    /// It is listened to, and there is nothing.
    pub const LISTENED_SILENT: &str =
        "its listen is on, and no signal is there to listen to: ask why of the whole of it";

    /// It is listened to.
    #[must_use]
    pub fn listened_on(outputs: &str) -> String {
        format!("{outputs} plays it")
    }

    /// An input that is not used.
    #[must_use]
    pub fn input_unused(input: &str) -> String {
        format!("input {input} is the source of no channel and no talkback: name it as one's source")
    }

    /// A contact that follows.
    #[must_use]
    pub fn contact_of_room(contact: &str, room: &str) -> String {
        format!("contact {contact} follows the microphones of room {room}, and nobody else moves it")
    }

    /// A contact that can be moved.
    #[must_use]
    pub fn contact_ready(contact: &str) -> String {
        format!("contact {contact} does what it is told")
    }

    /// A channel of an earlier profile.
    #[must_use]
    pub fn left_over(profile: &str) -> String {
        format!("{HEARD}, though profile \"{profile}\" does not have it: it stays until it is closed")
    }

    /// A channel that is not open, and why.
    #[must_use]
    pub fn closed_by(channel: &str, why: &str) -> String {
        format!("{channel} ({why})")
    }

    /// An output that plays what is listened to instead of its source.
    #[must_use]
    pub fn listens(output: &str, to: &str, plays: bool) -> String {
        if plays {
            format!("output {output} plays what is listened to: {to}")
        } else {
            format!(
                "output {output} plays what is listened to, {to}, and no signal is there: ask why of that, or end the \
                 listening (desk.listen-clear)"
            )
        }
    }

    /// The key of a talkback.
    #[must_use]
    pub fn talkback_key(talkback: &str, to: &str, buses: &str) -> String {
        if to.is_empty() {
            format!("no key of talkback {talkback} is held: hold one of its to ({buses}), or all")
        } else {
            format!("its key to {to} is held")
        }
    }

    /// A talkback that is fine.
    #[must_use]
    pub fn speaks_to(buses: &str) -> String {
        format!("it speaks to {buses}")
    }

    /// The port of a control.
    #[must_use]
    pub fn control_port(port: &str, away: Option<&str>) -> String {
        away.map_or_else(
            || format!("control port {port} is there"),
            |why| format!("control port {port} is not there ({why}): look at its cable and power"),
        )
    }

    /// A control of which the profile says nothing.
    #[must_use]
    pub fn nothing_to_move(profile: &str, shows: bool) -> String {
        let does = if shows { "show" } else { "move" };
        format!("profile \"{profile}\" gives it nothing to {does}: \"longthrow assign\" does, or a line in [moves]")
    }

    /// A touch is awaited.
    pub const PANEL_TAUGHT: &str = "a control is about to be assigned, and until then the panel closes and lowers and does no more: touch it, or end \
         the assign";
    /// The operator's lock.
    pub const PANEL_LOCKED: &str = "the panel is locked: it closes and coughs and does no more; turn desk.lock off";
    /// What the lock does not keep from anybody.
    pub const OBEYS_WHEN_LOCKED: &str = "the panel is locked, and this is obeyed all the same";

    /// What a novice does not do.
    #[must_use]
    pub fn novice(refused: &str) -> String {
        format!("{refused}: turn desk.novice off")
    }

    /// A lamp.
    #[must_use]
    pub fn lamp(lit: bool, target: &str, value: &str) -> String {
        format!("it is {} since {target} is {value}", if lit { "lit" } else { "dark" })
    }

    /// What a control moves, and whether it waits.
    #[must_use]
    pub fn control_moves(target: &str, value: &str, way: Option<&str>) -> String {
        match way {
            Some(way) => format!("it moves {target}, which is {value}, and is {way}"),
            None => format!("it moves {target}, which is {value}"),
        }
    }

    /// A control that has said nothing yet.
    pub const PLACE_NOT_KNOWN: &str = "waiting: its place is not known, move it once";

    /// The way of a control that waits: whether it has to be lowered, how many mm if it has a length, how many percent of its
    /// turn. Nothing when it is nearly there.
    #[must_use]
    pub fn waiting(way: Option<(bool, Option<f32>, f32)>) -> String {
        let Some((lower, mm, percent)) = way else { return "waiting: move it a little".to_owned() };
        let far = mm.map_or_else(|| format!("{percent:.0} % of its turn"), |mm| format!("{mm:.0} mm"));
        format!("waiting: {} {far}", if lower { "lower" } else { "raise" })
    }
}

/// `longthrow undo`, `history` and `keep`.
pub mod history {
    use std::fmt::Display;

    /// Nothing to go back to.
    pub const NONE_EARLIER: &str = "no file has an earlier revision";
    /// A profile that stands in no file.
    pub const BUILT_IN: &str = "the desk runs on the built-in profile: start it with one of your own";

    /// The same of one file.
    #[must_use]
    pub fn no_earlier(file: &str) -> String {
        format!("{file} has no earlier revision")
    }

    /// A number that no revision has.
    #[must_use]
    pub fn no_revision(file: &str, number: u64) -> String {
        format!("{file} has no revision {number}; \"longthrow history\" lists them")
    }

    /// A file of somebody else.
    #[must_use]
    pub fn no_such_file(file: &str, files: &[&str]) -> String {
        format!("\"{file}\" is none of the files of this desk: {}", files.join(", "))
    }

    /// A state folder that cannot be read.
    #[must_use]
    pub fn unreadable(file: &str, error: impl Display) -> String {
        format!("the revisions of {file}: {error}")
    }

    /// A file that the desk may not write.
    #[must_use]
    pub fn not_writable(path: impl Display, error: impl Display) -> String {
        format!("{path} cannot be written by the desk: {error}")
    }

    /// A mix that was kept.
    #[must_use]
    pub fn kept(path: &str, changed: usize) -> String {
        match changed {
            0 => format!("{path} starts with this mix already\n"),
            1 => format!("{path} starts with this mix now: 1 value is another one\n"),
            changed => format!("{path} starts with this mix now: {changed} values are other ones\n"),
        }
    }

    /// A file that was put back.
    #[must_use]
    pub fn undone(path: &str, number: u64) -> String {
        format!("{path} says what it said in revision {number}\n")
    }

    /// An earlier text that does not fit the other files as they are now.
    #[must_use]
    pub fn would_be_refused(file: &str, number: u64, first: &str) -> String {
        format!(
            "revision {number} of the {file} does not fit the other files as they are now, and nothing is changed: {first}; \
             undo those first (--file), or name another revision (--to)"
        )
    }

    /// What was put back was not taken.
    #[must_use]
    pub fn undone_but(wrong: &str, remedy: &str) -> String {
        format!("{wrong}: {remedy}")
    }
}

/// Lines of the log that an operator reads: what happened, what it means, and what to do.
pub mod log {
    use std::fmt::Display;

    /// A file that was put back.
    #[must_use]
    pub fn put_back(path: impl Display, number: u64) -> String {
        format!("{path} is put back to revision {number}")
    }

    /// What a control port says of itself.
    #[must_use]
    pub fn port(port: impl Display, what: impl Display) -> String {
        format!("control port {port}: {what}")
    }

    /// One that cannot be opened.
    #[must_use]
    pub fn port_not_opened(port: impl Display, error: impl Display) -> String {
        format!("control port {port} cannot be opened: {error}; \"longthrow ports\" lists what there is")
    }

    /// One that is gone.
    #[must_use]
    pub fn port_lost(port: impl Display, why: impl Display) -> String {
        format!("control port {port}: {why}; gains stay as they are")
    }

    /// Pieces of its line that were lost.
    #[must_use]
    pub fn reads_lost(port: impl Display, count: u64) -> String {
        format!("control port {port}: {count} reads were lost")
    }

    /// Messages that were lost.
    #[must_use]
    pub fn messages_lost(port: impl Display, count: u64) -> String {
        format!("control port {port}: {count} messages were lost on the way in")
    }

    /// The lock of a panel that nobody uses.
    pub const LOCKS_ITSELF: &str = "the panel locks itself: nobody used it and nothing is on air";
    /// The prepared mix.
    pub const PREPARED: &str = "the mix is as it was prepared; switches are as they were";
    /// The end of solo-in-place.
    pub const SOLO_ENDS: &str = "solo-in-place ends: a bus is on air";
    /// No room for more channels.
    pub const ENGINE_FULL: &str = "the engine is full for now: channels are missing until others have faded out";

    /// A rung that was taken.
    #[must_use]
    pub fn rung(rung: impl Display) -> String {
        format!("panic: {rung}")
    }

    /// A rung of nothing.
    #[must_use]
    pub fn no_rung(rung: impl Display) -> String {
        format!("panic: the profile has nothing for {rung}: say it in [panic]")
    }

    /// A key that was held for too long.
    #[must_use]
    pub fn key_lets_go(key: impl Display) -> String {
        format!("{key} was on for 30 s and lets go")
    }

    /// A key of a talkback to a bus that came on air.
    #[must_use]
    pub fn key_heard_outside(key: impl Display) -> String {
        format!("{key} lets go: people outside would hear it")
    }

    /// Tone on a bus that came on air.
    #[must_use]
    pub fn tone_came_on_air(bus: impl Display) -> String {
        format!("the tone on bus {bus} ends: the bus came on air, and nobody confirmed tone there")
    }

    /// Tone that nobody ended.
    #[must_use]
    pub fn tone_ends(bus: impl Display) -> String {
        format!("the tone on bus {bus} ends after 60 s")
    }

    /// What no file opens.
    #[must_use]
    pub fn opened_by_hand_only(channel: impl Display, guest: bool) -> String {
        let what = if guest { "guest" } else { "microphone" };
        format!("channel {channel} is closed: a {what} is opened by a hand")
    }

    /// A send before the switch to a bus that came on air.
    #[must_use]
    pub fn sends_behind_the_switch(channel: impl Display, bus: impl Display) -> String {
        format!("the send of channel {channel} to {bus} is pre-fader now: people outside hear that bus")
    }

    /// A channel of an earlier profile without its input.
    #[must_use]
    pub fn left_over_goes(channel: impl Display) -> String {
        format!("channel {channel} was left over and goes: the rig has lost its input")
    }

    /// A value that named something.
    #[must_use]
    pub fn named_what_is_gone(address: impl Display, word: &str, instead: impl Display) -> String {
        format!("{address} named \"{word}\", which is gone: it is \"{instead}\" now")
    }

    /// A channel of an earlier profile that is heard.
    #[must_use]
    pub fn stays_until_closed(channel: impl Display, profile: &str) -> String {
        format!("channel {channel} is open and not in profile \"{profile}\": it stays until it is closed")
    }

    /// A channel that is heard while a profile wants other values.
    #[must_use]
    pub fn keeps_until_closed(channel: impl Display) -> String {
        format!("channel {channel} is open: it keeps its values until it is closed")
    }

    /// A microphone after an absence.
    #[must_use]
    pub fn comes_back_closed(channel: impl Display) -> String {
        format!("channel {channel} comes back closed: it waits for a hand")
    }

    /// A device that went.
    #[must_use]
    pub fn device_gone(device: impl Display) -> String {
        format!("device {device} is gone: its channels are silent until it is back")
    }

    /// A device that came back.
    #[must_use]
    pub fn device_back(device: impl Display) -> String {
        format!("device {device} is back")
    }

    /// A file that somebody owns who is not the desk.
    #[must_use]
    pub fn cannot_be_written(why: &str) -> String {
        format!("the desk cannot write it: {why}; look whose the file is, or edit it by hand")
    }

    /// A change of two files that is undone file by file.
    #[must_use]
    pub fn not_together(error: impl Display) -> String {
        format!("\"longthrow undo\" will take back panel and profile one after the other: {error}")
    }

    // ---- start and stop ----

    /// What people are told of a safe start.
    pub const SAFE_START: &str =
        "three crashes in two minutes: starting safe, with the last accepted files and every microphone closed";
    /// A rig and a device that both leave the rate open.
    pub const NO_RATE: &str = "the rig names no rate_hz and its device does not say: running at 48,000 Hz";
    /// Files that are no installation.
    pub const NOTHING_TO_RUN: &str = "nothing to run";
    /// A rig alone.
    pub const RIG_WITHOUT_PROFILE: &str = "a rig needs a profile beside it: name one with --profile";
    /// `--audible` on a machine without sound.
    pub const NO_OUTPUT_DEVICE: &str = "--audible: no output device was found";
    /// A thread that goes on after its end was asked for.
    pub const DID_NOT_END: &str = "did not end in time";
    /// A thread that broke.
    pub const PANICKED: &str = "a thread had panicked";
    /// A setting that is none.
    pub const NO_SETTING: &str = "a setting is PATH=VALUE";
    /// An engine that stands still.
    pub const NO_BLOCK: &str = "no block was made";
    /// An address that is still to come.
    pub const NOWHERE_YET: &str = "nowhere yet";
    /// What fails, before the system's reason.
    pub const STATE_FOLDER: &str = "the state folder";
    /// The same.
    pub const WATCHING_FILES: &str = "watching the files";
    /// The same.
    pub const RELOAD_THREAD: &str = "the reload thread";

    /// A start on what was accepted before, and why.
    #[must_use]
    pub fn on_last_accepted(problem: &str) -> String {
        format!("{problem}\nALARM: running on the last accepted revision")
    }

    /// A start on the files as they are, for want of others.
    #[must_use]
    pub fn none_accepted_before(problem: &str) -> String {
        format!("{problem}; none were accepted before, so it is those of now")
    }

    /// A file that never was accepted.
    #[must_use]
    pub fn not_accepted(what: &str) -> String {
        format!("no {what} was accepted")
    }

    /// A file that was accepted, and whose text is not kept.
    #[must_use]
    pub fn accepted_not_kept(what: &str, error: impl Display) -> String {
        format!("the accepted {what} could not be kept: {error}")
    }

    /// A file of too many bytes.
    #[must_use]
    pub fn file_too_long(name: &str, bytes: u64, at_most: usize) -> String {
        format!("{name}: {bytes} bytes; a file has at most {at_most}")
    }

    /// A second desk on one state folder.
    #[must_use]
    pub fn state_in_use(folder: impl Display) -> String {
        format!("another longthrow runs with the state folder {folder}; stop it, or name another folder")
    }

    /// The first output that was found, with the caution.
    #[must_use]
    pub fn audible(device: &str, identity: &str, db: f32) -> String {
        format!(
            "audible on {device} ({identity}) from {db} dB. Hearing: put headphones on only after you have heard how loud it is, \
             raise /output/headphones/level slowly, and keep it where you can talk over it"
        )
    }

    /// A mix that is not taken.
    #[must_use]
    pub fn mix_of_another(profile: &str) -> String {
        format!("the mix of before belongs to \"{profile}\": starting with what the profile says")
    }

    /// A mix that is.
    #[must_use]
    pub fn mix_as_before(crashed: bool) -> String {
        format!("the mix is as it was before the {}", if crashed { "crash" } else { "stop" })
    }

    /// Who made the blocks: the device, so many late and the longest in us, the silent driver, nobody; and xruns.
    #[must_use]
    pub fn blocks_made([device, late, longest, silent, refused, xruns]: [u64; 6]) -> String {
        format!(
            "blocks: {device} by the device ({late} late, the longest {longest} us), {silent} by the silent driver, {refused} \
             refused; {xruns} xruns"
        )
    }

    /// How long they took, in us, each part of all of them; and how many began late.
    #[must_use]
    pub fn blocks_timed(blocks: u64, [half, most, nearly_all, all_but_few]: [u64; 4], begun_late: u64) -> String {
        format!(
            "{blocks} blocks timed: half within {half} us, 99 % {most} us, 99.9 % {nearly_all} us, 99.99 % {all_but_few} us; \
             {begun_late} entered late"
        )
    }

    /// Blocks that began in time and ended late: by how many us at most, and how many ms ago the last of them did.
    #[must_use]
    pub fn ended_late(blocks: u64, by: u64, ago: u64) -> String {
        let counted = if blocks == 1 { "1 block".to_owned() } else { format!("{blocks} blocks") };
        format!("the sound may have a gap: {counted} ended late, by up to {by} us, the last {ago} ms ago")
    }

    /// A user without real-time rights, and what to do.
    #[must_use]
    pub fn no_rights(advice: &str) -> String {
        format!("no real-time rights: the desk runs, and a busy machine may be heard; {advice}")
    }

    /// A machine without room for threads.
    #[must_use]
    pub fn no_network_threads(error: impl Display) -> String {
        format!("the network's threads do not start: {error}")
    }

    /// A desk that runs.
    #[must_use]
    pub fn running(profile: &str, hz: u32, osc: &str) -> String {
        format!("running \"{profile}\" at {hz} Hz; OSC on {osc}")
    }

    /// One that was asked to stop.
    #[must_use]
    pub fn stopping(signal: &str) -> String {
        format!("{signal}: fading out and stopping")
    }

    /// One that nobody could ask.
    #[must_use]
    pub fn signals_not_heard(error: impl Display) -> String {
        format!("signals cannot be heard ({error}): stopping")
    }

    // ---- reading the files again ----

    /// What came of it.
    pub const TAKEN: &str = "in force";
    /// The same.
    pub const NOTHING_CHANGED: &str = "nothing changed";

    /// A revision that came into force.
    #[must_use]
    pub fn in_force(revision: u64) -> String {
        format!("revision {revision} is in force")
    }

    /// Texts that are as they were.
    #[must_use]
    pub fn nothing_changed(revision: u64) -> String {
        format!("{NOTHING_CHANGED}: {}", in_force(revision))
    }

    /// What was not taken, and what stays.
    #[must_use]
    pub fn stays_in_force(why: &str, revision: u64) -> String {
        format!("{why}\nrevision {revision} stays in force")
    }

    /// Files with mistakes, all of them, and how many.
    #[must_use]
    pub fn refused(mistakes: &str, count: &str, revision: u64) -> String {
        format!("{mistakes}\nrefused ({count}); revision {revision} stays in force")
    }

    /// A rate that only a restart changes.
    #[must_use]
    pub fn another_rate(hz: u32, revision: u64) -> String {
        format!("the rig names another rate; the rate stays {hz} Hz until a restart, and revision {revision} in force")
    }

    /// More control ports than there is room for.
    #[must_use]
    pub fn too_many_ports(at_most: usize) -> String {
        format!("the rig has more than {at_most} control ports")
    }

    /// A service manager that does not listen.
    #[must_use]
    pub fn manager_not_told(error: impl Display) -> String {
        format!("the service manager was not told: {error}")
    }

    // ---- devices ----

    /// A device that is closed for another.
    pub const OTHER_DEVICE: &str = "the rig names another device";
    /// A device that is open and silent.
    pub const STOPPED_CALLING: &str = "it stopped calling";
    /// A device's process that hangs.
    pub const NO_ANSWER: &str = "it did not answer for 10 s, and was killed";
    /// One that is over.
    pub const PROCESS_ENDED: &str = "its process has ended";
    /// A device beside the master.
    pub const OWN_CLOCK: &str =
        "runs on a clock of its own: its sound is resampled, so it is not bit-exact, and comes later by the cushion";
    /// How fast that runs.
    pub const DRIFT: &str = "its clock against the master's";
    /// What is none of the desk's own.
    pub const NO_RECORD: &str = "not a record of ours";
    /// A process that talks before it is asked.
    pub const AUDIO_FIRST: &str = "audio came before the device was named";
    /// A process of another version.
    pub const UNKNOWN_KIND: &str = "an unknown kind of device";

    /// A mix-minus with its owner in it.
    #[must_use]
    pub fn hears_themselves(bus: &str, db: f64) -> String {
        format!("who hears {bus} hears themselves in it, {db:.0} dB below the bus")
    }

    /// What plays on without a device.
    #[must_use]
    pub fn goes_on_without(device: impl Display, why: &str) -> String {
        format!("device {device} is gone ({why}): the engine goes on without it")
    }

    /// A device that runs: rate in Hz, frames of a period, channels in and out.
    #[must_use]
    pub fn device_there(device: impl Display, hz: u32, frames: u32, inputs: usize, outputs: usize) -> String {
        format!("device {device} is there: {hz} Hz, periods of {frames} frames, {inputs} in, {outputs} out")
    }

    /// When it was there first.
    #[must_use]
    pub fn first_seen(device: impl Display, ms: u128) -> String {
        format!("device {device}: first seen {ms} ms after the start")
    }

    /// A hole in the count of frames.
    #[must_use]
    pub fn frames_left_out(frames: u64) -> String {
        format!("{frames} frames were left out: nothing could make them in time")
    }

    /// A device that does not open.
    #[must_use]
    pub fn device_not_opened(device: impl Display, why: impl Display) -> String {
        format!("device {device} cannot be opened: {why}; it is tried again")
    }

    /// The same of its process.
    #[must_use]
    pub fn device_not_started(device: impl Display, error: impl Display) -> String {
        format!("no process for device {device} can be started: {error}; it is tried again")
    }

    /// The same of the thread to it.
    #[must_use]
    pub fn no_sending_thread(error: impl Display) -> String {
        format!("no thread for what is sent to it: {error}")
    }

    /// A process that a person started.
    #[must_use]
    pub fn started_by_hand(error: impl Display) -> String {
        format!("started by hand? The daemon starts it: {error}")
    }

    /// A device that closed before it had the engine.
    #[must_use]
    pub fn closed_again(why: &str) -> String {
        format!("the device closed again: {why}")
    }

    /// A device whose opening does not come back: a server that stands still, or a driver.
    #[must_use]
    pub fn opening_hangs(device: impl Display, seconds: u64) -> String {
        format!(
            "device {device} has not opened for {seconds} s: what it belongs to does not answer; the engine goes on without it"
        )
    }

    /// A device that is open and never called.
    #[must_use]
    pub fn never_called(device: impl Display, seconds: u64) -> String {
        format!("device {device} is open and has not called for {seconds} s; it is closed and opened again")
    }

    /// A device with a rate that nobody can use.
    #[must_use]
    pub fn runs_at(hz: u32) -> String {
        format!("it runs at {hz} Hz")
    }

    /// One that changed it.
    #[must_use]
    pub fn runs_at_now(hz: u32) -> String {
        format!("it runs at {hz} Hz now")
    }

    /// The same, of the master.
    #[must_use]
    pub fn runs_at_another(hz: u32, of_the_desk: u32) -> String {
        format!("it runs at {hz} Hz now; the desk runs at {of_the_desk} Hz")
    }

    /// Both ways of a device, after they had drifted.
    #[must_use]
    pub fn rejoined(count: u32) -> String {
        format!("input and output rejoined by a cross-fade, {count} times")
    }

    /// A period that changed.
    #[must_use]
    pub fn period(frames: u32) -> String {
        format!("the device's period is {frames} frames now")
    }

    /// A port that is linked.
    #[must_use]
    pub fn linked(port: &str) -> String {
        format!("linked to {port}")
    }

    /// A port that is awaited.
    #[must_use]
    pub fn link_missing(port: &str) -> String {
        format!("{port} is not there to be linked; waiting for it")
    }

    // ---- files that play ----

    /// A file without sound.
    pub const NO_CHANNELS: &str = "no channels";

    /// A file of a strange rate.
    #[must_use]
    pub fn rate_too_far(hz: u32, of_the_desk: u32) -> String {
        format!("a rate of {hz} Hz is too far from the desk's {of_the_desk} Hz")
    }

    /// A file that cannot be played.
    #[must_use]
    pub fn not_played(path: impl Display, error: impl Display) -> String {
        format!("{path} cannot be played: {error}")
    }

    /// A file that breaks off.
    #[must_use]
    pub fn silence_instead(error: impl Display) -> String {
        format!("{error}: silence in its place")
    }

    /// The same, while it is tried again.
    #[must_use]
    pub fn silence_for_now(error: impl Display, seconds: u64) -> String {
        format!("{}; tried again in {seconds} s", silence_instead(error))
    }

    /// A file that is there again.
    #[must_use]
    pub fn can_be_read(path: impl Display) -> String {
        format!("{path}: can be read now")
    }

    /// A slow disk.
    #[must_use]
    pub fn too_late_from_disk(path: impl Display, frames: u64) -> String {
        format!("{path}: {frames} frames came too late from the disk")
    }

    // ---- what is written ----

    /// What is written.
    pub const JOURNAL: &str = "the journal";
    /// The same.
    pub const MIX: &str = "the mix";
    /// After a power cut.
    pub const TORN: &str = "the journal's last line was torn and has been cut off";
    /// A disk that cannot follow.
    pub const DISK_BEHIND: &str = "the journal's disk is behind: lines were left out";

    /// A disk that takes nothing.
    #[must_use]
    pub fn not_written(what: &str, error: impl Display) -> String {
        format!("{what} cannot be written ({error}); it is tried again and again")
    }

    /// One that takes it again.
    #[must_use]
    pub fn written_again(what: &str, failures: u64) -> String {
        format!("{what} can be written again, after {failures} failures")
    }

    /// A file that is left as it was.
    #[must_use]
    pub fn could_not_be_written(file: &str, error: impl Display) -> String {
        format!("{file} could not be written: {error}")
    }

    /// How much it is.
    #[must_use]
    pub fn written(mb: f64, seconds: f64) -> String {
        let per_hour = mb * 3600.0 / seconds;
        format!("{STATE_FOLDER}: {mb:.2} MB written in {seconds:.0} s, {per_hour:.2} MB per hour")
    }

    // ---- the network ----

    /// An answer without a way.
    pub const NO_WAY_THERE: &str = "no socket of ours leads there";

    /// Where the desk is reached.
    #[must_use]
    pub fn osc_on(address: impl Display) -> String {
        format!("OSC is received on {address}")
    }

    /// Where it is not.
    #[must_use]
    pub fn osc_not_on(address: impl Display, error: impl Display) -> String {
        format!("OSC cannot be received on {address}: {error}; this is tried again until it works")
    }

    /// A port that others could take.
    #[must_use]
    pub fn port_not_ours(address: impl Display, error: impl Display) -> String {
        format!("the port of {address} cannot be kept to ourselves: {error}")
    }

    /// A follower that the rig names wrongly.
    #[must_use]
    pub fn follower_without_meters(pattern: &str) -> String {
        format!("a follower of the rig gets no meters: \"{pattern}\" is no OSC pattern")
    }

    /// A panel on an address that has not been said to be wired.
    #[must_use]
    pub fn panel_refused(address: impl Display) -> String {
        format!(
            "the panel at {address} is refused: what it sends does not come in on an address that the rig names in \
             [network] wired_control"
        )
    }

    /// A sender that the rig does not know.
    #[must_use]
    pub fn sender_refused(address: impl Display, lines: &str) -> String {
        format!("OSC from {address} is refused; these lines in the rig would admit it:\n{lines}")
    }

    /// Who wants the files read.
    #[must_use]
    pub fn asks_to_read(who: impl Display) -> String {
        format!("{who} asks for the files to be read again")
    }

    /// Who moves a contact.
    #[must_use]
    pub fn moves_contact(who: impl Display, contact: &str) -> String {
        format!("{who} moves the contact {contact}")
    }

    /// A state folder in which commands find nobody.
    #[must_use]
    pub fn no_commands(folder: impl Display, error: impl Display) -> String {
        format!("commands cannot reach this daemon: {folder}: {error}")
    }

    // ---- what was kept ----

    /// The mix in its profile.
    #[must_use]
    pub fn mix_kept(path: &str, changed: usize) -> String {
        format!("the mix as it is was kept in {path}: {changed} values")
    }

    /// A control and what it moves.
    #[must_use]
    pub fn control_moves(control: &str, target: Option<&str>) -> String {
        format!("control {control} moves {}", target.unwrap_or("nothing"))
    }
}

/// Panel nodes, in `longthrow status` and in the log.
pub mod node {
    /// A message of which the number was passed over.
    pub const NEVER_CAME: &str = "never came";
    /// One whose number had been.
    pub const CAME_LATE: &str = "came late or twice";
    /// One that could not be read.
    pub const GARBLED: &str = "were garbled";
    /// One that had to be left out.
    pub const NO_ROOM: &str = "found no room";
    /// A contact on a node that the rig does not have.
    pub const NODE_NOT_IN_RIG: &str = "its node is not in the rig";
    /// A pulse of a contact that stands.
    pub const SAY_STATE: &str = "the contact stands open or closed: say /contact/ID/state";
    /// A node that went meanwhile.
    pub const NO_SUCH_NODE: &str = "no such node";

    /// How a node is.
    #[must_use]
    pub fn answers(port: &str, maker: Option<&str>, taken: u64) -> String {
        match maker {
            Some(maker) => format!("node {port}: answers ({maker}), {taken} moves taken"),
            None => format!("node {port}: does not answer; look at its cable and power"),
        }
    }

    /// What went wrong so often.
    #[must_use]
    pub fn counted(count: u64, what: &str) -> String {
        format!(", {count} {what}")
    }

    /// How often it was away.
    #[must_use]
    pub fn lost_so_often(losses: u64) -> String {
        match losses {
            0 => String::new(),
            1 => ", was lost once".to_owned(),
            losses => format!(", was lost {losses} times"),
        }
    }

    /// Its supply.
    #[must_use]
    pub fn supply(mv: i32) -> String {
        format!(", supply {:.1} V", f64::from(mv) / 1000.0)
    }

    /// A node that is gone. Counts: moves taken, missed, late, malformed, dropped, losses.
    #[must_use]
    pub fn node_lost(why: &str, [taken, missed, late, malformed, dropped, losses]: [u64; 6]) -> String {
        format!(
            "the node is lost: {why}; gains stay as they are, its lamps fail lit [taken {taken}, missed {missed}, late {late}, \
             malformed {malformed}, dropped {dropped}, losses {losses}]"
        )
    }

    /// A contact that there is not.
    #[must_use]
    pub fn no_contact(id: &str) -> String {
        format!("the rig has no contact \"{id}\"")
    }

    /// A pulse on its way.
    #[must_use]
    pub fn pulse_asked(contact: &str, width_ms: u16) -> String {
        format!("contact {contact} is asked for a pulse of {width_ms} ms")
    }

    /// A contact that is told to stand.
    #[must_use]
    pub fn shall_stand(contact: &str, closed: bool) -> String {
        format!("contact {contact} shall be {}", if closed { "closed" } else { "open" })
    }

    /// A control port of another kind.
    #[must_use]
    pub fn no_node(port: &str) -> String {
        format!("\"{port}\" is no control port of a node")
    }

    /// A node that is not there.
    #[must_use]
    pub fn node_away(port: &str) -> String {
        format!("the node at \"{port}\" is away")
    }
}

/// Answers to messages over OSC.
#[expect(missing_docs, reason = "the names and texts say it")]
pub mod osc {
    use std::fmt::Display;

    pub const PULSE_HAS_NO_VALUE: &str = "a pulse has no value";
    pub const TAKES_AN_ADDRESS: &str = "takes one text: an address or pattern of parameters";
    pub const RATE_AND_LEASE_ARE_NUMBERS: &str = "a rate in Hz and a lease in seconds are numbers";
    pub const TAKES_PATTERN_RATE_LEASE: &str = "takes PATTERN RATE_HZ LEASE_S";
    pub const TAKES_AN_ID: &str = "takes one whole number, the ID that was granted";
    pub const RELOAD_TAKES_NOTHING: &str = "takes nothing: which file it is stands in the desk's own start";
    pub const TAKES_ONE_VALUE: &str = "takes one value";
    pub const TAKES_A_PARAMETER: &str = "takes the address of a parameter, and a name if you like";
    pub const TAKES_A_BUTTON: &str = "takes nothing, or true when a button goes down";
    pub const SCENE_TAKES: &str = "takes nothing: /scene/ID/recall, or /scene/back";
    pub const CONTACT_TAKES: &str = "a contact takes /contact/ID/pulse, or /contact/ID/state with open or closed";
    pub const NO_PARAMETER: &str = "no parameter has such an address";
    pub const SEVERAL_MEANINGS: &str =
        "means parameters that understand this value differently; say the word or the number";
    pub const SHOW_ACCEPTS: &str = "accepted: -60.0 to +0.0 LUFS and 1 to 2880 minutes";
    pub const SHOW_TAKES: &str = "takes TARGET_LUFS MINUTES";
    pub const LOUDNESS_TAKES: &str = "takes nothing, or one text: which, as /bus/programme or a pattern";
    pub const AN_ADDRESS_IS: &str = "an address is /SCOPE/ID/PARAMETER, or /channel/ID/assign/BUS";

    pub fn no_address_or_pattern(text: &str) -> String {
        format!("\"{text}\" is no OSC address or pattern")
    }

    pub fn no_meter_pattern(text: &str) -> String {
        format!("\"{text}\" is no OSC pattern over meter paths")
    }

    pub fn accepted(range: &str) -> String {
        format!("accepted: {range}")
    }

    pub fn no_such_address(nearest: &str) -> String {
        format!("there is no such address; the nearest is {nearest}")
    }

    /// An address that is neither a parameter's, nor one of the desk's own, nor a control's.
    pub fn nobody_sends(error: impl Display, own: &[&str]) -> String {
        format!("{error}, none of {}, and no control of the panel sends it", own.join(" "))
    }

    pub fn no_such_meter(nearest: &str) -> String {
        format!("no meter is called so; the nearest is {nearest}")
    }

    pub fn too_many_followers(most: usize) -> String {
        format!("{most} followers are there already")
    }
}

/// What `longthrow assign` asks in a terminal, and what comes of it.
#[expect(missing_docs, reason = "the names and texts say it")]
pub mod assign {
    pub const HELP: &str = "The running desk finds the control that moves most over its own noise; until then the whole panel \
        closes and\nlowers, and does nothing else: a touch opens no microphone and raises no level. Panel and profile are written\n\
        with their comments, and read again at once. The fader takes over where it meets the value. Every question is\n\
        also an option. When the terminal goes away before the last answer, \"longthrow undo\" takes the change back.\n\
        Exit codes: 0 done, 1 not done and nothing is changed, 2 an answer is missing, 3 no desk runs there.";
    pub const SAY_WHAT: &str = "with --yes, say --parameter or --remove";
    pub const SOMETHING_ELSE: &str = "the desk answers something else";
    pub const KEEP_WHAT_IS_LIVE: &str = "It is live: move it and listen. Keep it (yes, no)?";
    pub const KEEP: &str = "Keep it so (yes, no)?";
    pub const YES_OR_NO: &str = "yes or no";
    pub const PUT_BACK: &str = "The files are as before. What was moved meanwhile stays where it is.";
    pub const KEPT: &str = "Kept; \"longthrow undo\" takes it back.\n";
    pub const NOTHING_TOUCHED: &str =
        "no control was touched so that it is clear which; \"longthrow status\" says whether its port is there";
    pub const ONE_OF_THESE: &str = "one of these words";
    pub const WHAT_TO_MOVE: &str = "What shall it move?";
    pub const WHAT_ELSE_TO_MOVE: &str = "What shall it move (none: nothing any more)?";
    pub const NO_PARAMETER: &str = "no parameter was understood";
    pub const WHAT_NAME: &str = "What do people call it?";
    pub const AN_ANSWER: &str = "an answer";

    /// From where to where a control was seen to go, in per cent of its travel, and how clearly.
    pub fn seen((low, high): (f32, f32), margin_db: f32, ended_lower: bool) -> String {
        let way = if ended_lower {
            "; it ended lower than it began: if you pushed it up, the ends of its track are swapped"
        } else {
            ""
        };
        format!("  seen from {low:.0} % to {high:.0} %, {margin_db:.0} dB before all others{way}")
    }

    pub fn what_kind(kinds: &[&str]) -> String {
        format!("What is it ({})?", kinds.join(", "))
    }

    pub fn of_parameter(why: &str) -> String {
        format!("--parameter: {why}")
    }

    pub fn nothing_called(typed: &str) -> String {
        format!("nothing is called \"{typed}\"; \"longthrow params\" lists what there is")
    }

    pub fn which(several: &[String]) -> String {
        format!("which of these: {}?", several.join(", "))
    }

    pub fn nearest(typed: &str, near: &[String]) -> String {
        format!("nothing is called \"{typed}\"; the nearest: {}", near.join(", "))
    }

    pub fn unanswered(question: &str, option: &str) -> String {
        format!("nobody answered {question:?}; say --{option}")
    }

    pub fn not_understood(why: &str) -> String {
        format!("  That is not understood: {why}.")
    }

    /// What a control moves from now on, and what it moved before.
    pub fn moves_now(control: &str, parameter: Option<&str>, before: &[String]) -> String {
        let before = if before.is_empty() { String::new() } else { format!(" (before: {})", before.join(", ")) };
        format!("{control} moves {} now{before}.", parameter.unwrap_or("nothing"))
    }
}

/// Why something was refused.
pub mod refused {
    use std::fmt::Display;

    /// A desk that is busy or gone.
    pub const NO_ANSWER: &str = "the desk does not answer";
    /// A question of another version.
    pub const ELSEWHERE: &str = "that is answered elsewhere";
    /// A name or pattern of nothing.
    pub const NOTHING_CALLED_SO: &str = "nothing is called so";
    /// A panel where nobody may open a microphone.
    pub const PANEL_NOT_WIRED: &str = "a panel has to come in on loopback or wired control";
    /// More than can wait.
    pub const TOO_MANY_WAIT: &str = "too many messages wait for their time";
    /// The same of the desk's inbox.
    pub const TOO_MUCH_TO_DO: &str = "the desk has too much to do; nothing was changed";
    /// A measurement of nothing.
    pub const NOTHING_FITS: &str = "no channel, bus or output fits";
    /// A table that nobody here has.
    pub const NO_METERS_FOLLOWED: &str = "no meters are followed from your address and port";

    /// What is no question at all.
    #[must_use]
    pub fn no_question(error: impl Display) -> String {
        format!("that is no question: {error}")
    }

    /// More than can wait at the network.
    #[must_use]
    pub fn held_already(at_most: usize) -> String {
        format!("{at_most} messages are held for later already")
    }

    /// A time tag that is too far ahead.
    #[must_use]
    pub fn too_far_ahead(seconds: f64, at_most: f64) -> String {
        format!("{seconds:.1} s ahead of this machine's clock; at most {at_most} s are held")
    }

    /// A follower that there is not.
    #[must_use]
    pub fn no_follower(id: i32) -> String {
        format!("nobody at your address follows meters as {id}")
    }

    /// A sender that may not, and how the rig would let them.
    #[must_use]
    pub fn role(role: &str, lines: &str) -> String {
        format!("needs another role than \"{role}\"; in the rig: {lines}")
    }

    /// A slate that goes nowhere.
    #[must_use]
    pub fn talkback_without_slate(talkback: &str) -> String {
        format!("talkback {talkback} has no slate: name its buses in slate_buses")
    }

    /// What a novice does not move.
    pub const NO_ROUTE: &str = "no route";
    /// The same.
    pub const NO_LEVEL: &str = "no level, stage or delay of buses, outputs and talkbacks";
    /// The same.
    pub const NO_GAIN: &str = "no trim, pad or make-up gain";
    /// The same.
    pub const NO_SOLO: &str = "no solo-in-place";
    /// The same.
    pub const NO_TONE: &str = "no tone";
    /// The same.
    pub const NO_LIMITER: &str = "no limiter";
    /// The same.
    pub const NO_SHARING: &str = "no gain sharing";
    /// An output that is no monitor.
    pub const NO_MONITOR: &str = "only headphones and loudspeakers listen, dim and go to mono";
    /// A loudspeaker that would play what is listened to before an audience.
    pub const LISTENS_TO_AN_AUDIENCE: &str =
        "a loudspeaker of no room plays to an audience: give it a room in the rig, then it listens";
    /// A latch of nothing.
    pub const NOTHING_TO_LATCH: &str = "a latch holds keys that are down: hold one, then latch it";

    /// What a panel does not move.
    #[must_use]
    pub fn novice(what: &str) -> String {
        format!("the panel moves {what} in novice mode")
    }

    /// Solo-in-place while somebody listens.
    #[must_use]
    pub fn solo_on_air(bus: &str) -> String {
        format!("solo-in-place would cut into bus {bus}, which is on air: rehearse first")
    }

    /// A bus that a talkback does not have.
    #[must_use]
    pub fn talkback_without(talkback: &str, bus: &str) -> String {
        format!("talkback {talkback} does not speak to bus {bus}: name it in its buses")
    }

    /// A talkback to listeners.
    #[must_use]
    pub fn talkback_on_air(bus: &str) -> String {
        format!("bus {bus} is on air, and no talkback goes there")
    }

    /// The same, by another way.
    #[must_use]
    pub fn would_talk_on_air(bus: &str, talkback: &str) -> String {
        format!("bus {bus} would be on air, and talkback {talkback} speaks to it")
    }

    /// The same of what is sent before the switch.
    #[must_use]
    pub fn would_send_on_air(bus: &str, channel: &str) -> String {
        format!(
            "bus {bus} would be on air, and channel {channel} sends to it before its switch: take that send pre-fader first"
        )
    }

    /// Tone to listeners.
    #[must_use]
    pub fn tone_on_air(bus: &str) -> String {
        format!("bus {bus} is on air: say \"on-air\" to confirm that listeners shall hear tone")
    }

    /// A source that nothing here starts.
    #[must_use]
    pub fn no_start_line(channel: &str) -> String {
        format!("channel {channel} has no start line: its input names no start contact")
    }

    /// A contact that only the truth moves.
    pub const CONTACT_OF_ROOM: &str = "it is the lamp or the mute of a room, and follows its microphones";
    /// Whoever moves contacts starts machines and loudspeakers.
    pub const CONTACT_OF_STRANGER: &str = "contacts are moved from loopback or wired control only";

    /// A pulse of a contact that makes none.
    #[must_use]
    pub fn contact_stands(contact: &str) -> String {
        format!("contact {contact} stands open or closed and makes no pulses: say contact.{contact}.state")
    }

    /// A state of a contact that has none.
    #[must_use]
    pub fn contact_pulses(contact: &str) -> String {
        format!("contact {contact} makes pulses and has no state: say contact.{contact}.pulse")
    }
}
