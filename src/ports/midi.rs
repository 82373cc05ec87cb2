//! MIDI ports of the system (ALSA's sequencer) through `midir`.
//!
//! A port is known by its client and port name; its numbers change with every plug. `midir` says nothing when a
//! cable is pulled, so a monitor thread looks at the list of ports four times a second: a cable pulled and put
//! back between two looks would stay unseen, and that is too fast for a hand. It also sends what the outbox holds.

use super::control::{BackOff, ControlSink, OpenControl, Outbox, Stop, Teller, Worker, lock};
use midir::{MidiIO, MidiInput, MidiInputConnection, MidiOutput, MidiOutputConnection};
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// The name our own ports carry; they are never taken for a panel's.
const CLIENT: &str = "longthrow";

/// Where the kernel's sequencer is.
const SEQUENCER: &str = "/dev/snd/seq";

const LOOK: Duration = Duration::from_millis(250);

/// Between attempts when the sequencer itself is not there.
const LONGEST_WAIT: Duration = Duration::from_secs(8);

/// Opens the MIDI port whose "client:port" name is `name`, or the only one whose name contains it. The port need not be
/// there yet. Several that fit are told as `Lost` with their names, and none is taken.
///
/// # Errors
/// Only when no thread can be started.
pub fn open_midi(name: &str, sink: ControlSink) -> io::Result<OpenControl> {
    let outbox = Arc::new(Outbox::new());
    let monitor = Monitor {
        wanted: name.to_owned(),
        teller: Arc::new(Mutex::new(Teller::new(sink))),
        outbox: Arc::clone(&outbox),
        listers: None,
        input: None,
        output: None,
    };
    let worker = Worker::spawn("midi", move |stop| monitor.run(stop))?;
    Ok(OpenControl::new(outbox, worker))
}

/// Names of the MIDI inputs there are now, to paste into a rig.
///
/// # Errors
/// A sentence when the sequencer cannot be opened.
pub fn midi_names() -> Result<Vec<String>, String> {
    sequencer_is_there()?;
    let lister = MidiInput::new(CLIENT).map_err(no_sequencer)?;
    Ok(names(&lister).into_iter().map(|(_, name)| name).collect())
}

/// Asked before the library is, which would write on our standard error at every attempt.
fn sequencer_is_there() -> Result<(), String> {
    if std::path::Path::new(SEQUENCER).exists() { Ok(()) } else { Err(no_sequencer("there is no /dev/snd/seq")) }
}

fn no_sequencer(why: impl std::fmt::Display) -> String {
    format!("the system's MIDI sequencer cannot be opened ({why})")
}

struct Open<C> {
    id: String,
    connection: C,
}

struct Monitor {
    wanted: String,
    teller: Arc<Mutex<Teller>>,
    outbox: Arc<Outbox>,
    listers: Option<(MidiInput, MidiOutput)>,
    input: Option<Open<MidiInputConnection<()>>>,
    output: Option<Open<MidiOutputConnection>>,
}

impl Monitor {
    fn run(mut self, stop: &Stop) {
        let mut back_off = BackOff::new(LOOK, LONGEST_WAIT);
        while !stop.asked() {
            // The library unwraps what the sequencer answers; a panic there is a port that is away, not our end.
            let looked = catch_unwind(AssertUnwindSafe(|| self.look()))
                .unwrap_or_else(|_| Err("the MIDI library gave up (a panic inside it)".to_owned()));
            let wait = match looked {
                Ok(()) => {
                    back_off.reset();
                    LOOK
                }
                Err(why) => {
                    self.close();
                    lock(&self.teller).lost(&why);
                    back_off.next()
                }
            };
            stop.wait(wait, || !self.outbox.is_empty());
            self.send_waiting();
        }
        self.close();
    }

    /// One look at the ports there are: closes what is gone, opens what has come.
    fn look(&mut self) -> Result<(), String> {
        sequencer_is_there()?;
        let (inputs, outputs) = match &self.listers {
            Some(listers) => listers,
            None => self.listers.insert((
                MidiInput::new(CLIENT).map_err(no_sequencer)?,
                MidiOutput::new(CLIENT).map_err(no_sequencer)?,
            )),
        };
        let inputs = names(inputs);
        let outputs = names(outputs);

        if self.output.as_ref().is_some_and(|open| !outputs.iter().any(|(port, _)| port.id() == open.id)) {
            self.outbox.disconnect();
            self.output = None;
        }
        if self.input.as_ref().is_some_and(|open| !inputs.iter().any(|(port, _)| port.id() == open.id)) {
            self.close();
            lock(&self.teller).lost(&format!("the MIDI port \"{}\" is gone", self.wanted));
        }

        let mut found = None;
        if self.input.is_none() {
            match pick(&self.wanted, &inputs) {
                Ok((port, name)) => {
                    let teller = Arc::clone(&self.teller);
                    let connection = MidiInput::new(CLIENT)
                        .map_err(no_sequencer)?
                        .connect(port, "in", move |_, bytes, ()| lock(&teller).bytes(bytes), ())
                        .map_err(|error| format!("\"{name}\" cannot be opened: {error}"))?;
                    self.input = Some(Open { id: port.id(), connection });
                    found = Some(name.clone());
                }
                // A port that is not there is looked for at the usual pace.
                Err(why) => lock(&self.teller).lost(&why),
            }
        }
        // A panel without lamps has no output; one whose output comes later is told its lamps then.
        if self.input.is_some()
            && self.output.is_none()
            && let Ok((port, name)) = pick(&self.wanted, &outputs)
            && let Ok(connection) = MidiOutput::new(CLIENT).map_err(no_sequencer)?.connect(port, "out")
        {
            self.output = Some(Open { id: port.id(), connection });
            self.outbox.connect(std::thread::current());
            found.get_or_insert_with(|| name.clone());
        }
        if let Some(name) = found {
            lock(&self.teller).found(&name);
        }
        Ok(())
    }

    fn send_waiting(&mut self) {
        while let Some(bytes) = self.outbox.take() {
            let sent = self.output.as_mut().is_some_and(|open| open.connection.send(&bytes).is_ok());
            if !sent {
                self.outbox.count(1);
            }
        }
    }

    fn close(&mut self) {
        self.outbox.disconnect();
        let (input, output) = (self.input.take(), self.output.take());
        // Closing joins the library's thread, and panics if that did.
        if catch_unwind(AssertUnwindSafe(|| drop((input.map(|open| open.connection), output)))).is_err() {
            tracing::warn!("the MIDI library panicked while a port was closed");
        }
    }
}

/// Ports and their names without the numbers that change; ours are left out.
fn names<L: MidiIO>(lister: &L) -> Vec<(L::Port, String)> {
    lister
        .ports()
        .into_iter()
        .filter_map(|port| {
            let name = without_numbers(&lister.port_name(&port).ok()?).to_owned();
            (!name.starts_with(&format!("{CLIENT}:"))).then_some((port, name))
        })
        .collect()
}

/// `midir` appends ALSA's "client:port" numbers to the names.
fn without_numbers(name: &str) -> &str {
    match name.rsplit_once(' ') {
        Some((head, tail))
            if tail.split_once(':').is_some_and(|(client, port)| {
                [client, port].iter().all(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()))
            }) =>
        {
            head
        }
        _ => name,
    }
}

/// The only port of that name, or else the only one whose name contains it.
fn pick<'a, P>(wanted: &str, ports: &'a [(P, String)]) -> Result<&'a (P, String), String> {
    let exact: Vec<_> = ports.iter().filter(|(_, name)| name == wanted).collect();
    let fitting =
        if exact.is_empty() { ports.iter().filter(|(_, name)| name.contains(wanted)).collect() } else { exact };
    let quoted = |ports: &[&(P, String)]| {
        let names: Vec<String> = ports.iter().map(|(_, name)| format!("\"{name}\"")).collect();
        if names.is_empty() { "none".to_owned() } else { names.join(", ") }
    };
    match fitting.as_slice() {
        [one] => Ok(one),
        [] => Err(format!(
            "no MIDI port is called \"{wanted}\"; there are: {}",
            quoted(&ports.iter().collect::<Vec<_>>())
        )),
        many => Err(format!("\"{wanted}\" fits {} MIDI ports: {}; name one of them in full", many.len(), quoted(many))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ports(names: &[&str]) -> Vec<(usize, String)> {
        names.iter().enumerate().map(|(number, name)| (number, (*name).to_owned())).collect()
    }

    #[test]
    fn numbers_are_cut_from_names_and_nothing_else() {
        for (given, kept) in [
            ("Sluice Panel:Sluice Panel MIDI 1 20:0", "Sluice Panel:Sluice Panel MIDI 1"),
            ("Sluice:in 128:13", "Sluice:in"),
            ("Sluice:in a:13", "Sluice:in a:13"),
            ("Sluice:in :", "Sluice:in :"),
            ("Sluice:in", "Sluice:in"),
        ] {
            assert_eq!(without_numbers(given), kept);
        }
    }

    #[test]
    fn a_full_name_wins_a_part_must_fit_one_port_only() {
        let there = ports(&["Mill:left", "Mill:left lamps", "Weir:right"]);
        assert_eq!(pick("Mill:left", &there).expect("the full name").0, 0);
        assert_eq!(pick("Weir", &there).expect("the only one").0, 2);
        assert_eq!(
            pick("Mill", &there).expect_err("two"),
            "\"Mill\" fits 2 MIDI ports: \"Mill:left\", \"Mill:left lamps\"; name one of them in full"
        );
        assert_eq!(
            pick("Quay", &there).expect_err("none"),
            "no MIDI port is called \"Quay\"; there are: \"Mill:left\", \"Mill:left lamps\", \"Weir:right\""
        );
        assert_eq!(
            pick("Mill:left", &ports(&["Mill:left", "Mill:left"])).expect_err("two of the same"),
            "\"Mill:left\" fits 2 MIDI ports: \"Mill:left\", \"Mill:left\"; name one of them in full"
        );
        assert!(pick("Mill", &ports(&[])).expect_err("nothing there").ends_with("there are: none"));
    }
}
