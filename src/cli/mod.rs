//! The subcommands and their exit codes.
//!
//! Each subcommand has a file with a clap struct and a `run` that returns one of the codes in [`exit`]. What was
//! asked for goes to standard output, for people or with `--json`; logs and complaints go to standard error.

mod assign;
mod capacity;
mod check;
pub mod exit;
mod generate;
mod history;
mod measure;
mod meters;
mod new;
mod node_check;
mod pack;
mod params;
mod ports;
mod prompt;
mod render;
mod run;
mod satellite;
mod status;
mod talk;
mod targets;
mod why;

use clap::{Parser, Subcommand};
use std::io::Write;
use std::process::ExitCode;

/// A salvaged mixing panel as the surface of a real-time software mixing desk.
#[derive(Debug, Parser)]
#[command(version, about, max_term_width = 110)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// The first installation: asks what there is, and writes rig, panel and profile
    New(Box<new::New>),
    /// Every mistake in rig, panel and profile files, each alone and against the others
    Check(check::Check),
    /// Loudness, true peak and stereo of finished files, against a published target if wanted
    Measure(measure::Measure),
    /// The table of every parameter: address, what it accepts, default
    Params(params::Params),
    /// Audio devices and MIDI ports by the names that a rig takes
    Ports(ports::Ports),
    /// A panel node against every line of the wire document
    NodeCheck(node_check::NodeCheck),
    /// How many channels this machine carries, at which period, with which margin
    Capacity(capacity::Capacity),
    /// The desk, until it is told to stop
    Run(run::Run),
    /// On air or not, live microphones, what is wrong and what to do
    Status(status::ShowStatus),
    /// Why something is silent, lit, or does not obey
    Why(why::AskWhy),
    /// Writes the mix as it is into the profile, as the one it starts with
    Keep(history::Keep),
    /// What a control is for: touch it, choose a parameter, hear it, keep it
    Assign(assign::Assign),
    /// The accepted revisions of the desk's files
    History(history::History),
    /// Puts a file back to the revision before, or to any of those kept
    Undo(history::Undo),
    /// Rig, panel and profiles in one archive, to be taken elsewhere
    Pack(pack::Pack),
    /// What was packed, with the devices of this machine
    Unpack(Box<pack::Unpack>),
    /// The same desk and engine, offline: from files into files
    Render(render::Render),
    /// One audio device for the daemon that started this
    #[command(hide = true)]
    Satellite(satellite::Satellite),
    /// Manual pages and shell completions, for whoever makes a package
    #[command(hide = true)]
    Generate(generate::Generate),
}

/// Runs the command line and returns the code to leave with, one of those in [`exit`].
#[must_use]
pub fn main() -> ExitCode {
    let code = match Arguments::try_parse() {
        Ok(Arguments { command: Command::New(new) }) => new.run(),
        Ok(Arguments { command: Command::Check(check) }) => check.run(),
        Ok(Arguments { command: Command::Measure(measure) }) => measure.run(),
        Ok(Arguments { command: Command::Params(params) }) => params.run(),
        Ok(Arguments { command: Command::Ports(ports) }) => ports.run(),
        Ok(Arguments { command: Command::NodeCheck(check) }) => check.run(),
        Ok(Arguments { command: Command::Capacity(capacity) }) => capacity.run(),
        Ok(Arguments { command: Command::Run(run) }) => run.run(),
        Ok(Arguments { command: Command::Render(render) }) => render.run(),
        Ok(Arguments { command: Command::Status(status) }) => status.run(),
        Ok(Arguments { command: Command::Why(why) }) => why.run(),
        Ok(Arguments { command: Command::Keep(keep) }) => keep.run(),
        Ok(Arguments { command: Command::Assign(assign) }) => assign.run(),
        Ok(Arguments { command: Command::History(history) }) => history.run(),
        Ok(Arguments { command: Command::Undo(undo) }) => undo.run(),
        Ok(Arguments { command: Command::Pack(pack) }) => pack.run(),
        Ok(Arguments { command: Command::Unpack(unpack) }) => unpack.run(),
        Ok(Arguments { command: Command::Satellite(satellite) }) => satellite.run(),
        Ok(Arguments { command: Command::Generate(generate) }) => generate.run(),
        Err(error) => {
            // Help and version are no mistakes, and go to standard output.
            let code = if error.use_stderr() { exit::USAGE } else { exit::FINE };
            if error.print().is_ok() { code } else { exit::COULD_NOT_RUN }
        }
    };
    ExitCode::from(code)
}

/// Prints a result. A reader who has gone away (`longthrow params | head`) is no failure of ours.
fn print(text: &str) -> bool {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Ok(()) => true,
        Err(error) => error.kind() == std::io::ErrorKind::BrokenPipe,
    }
}

/// Prints a value as JSON, indented.
fn print_json(value: &impl serde::Serialize) -> bool {
    serde_json::to_string_pretty(value).is_ok_and(|json| print(&(json + "\n")))
}

/// Says on standard error why a command cannot go on.
fn complain(text: &str) {
    // When standard error is closed there is nobody left to tell.
    drop(writeln!(std::io::stderr(), "longthrow: {text}"));
}
