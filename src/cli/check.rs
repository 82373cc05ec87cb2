//! `longthrow check`: every mistake in the files of an installation.

use super::{complain, exit, print, print_json};
use crate::profile::{self, CODES, Diagnostic, FileKind, Severity, Source, Texts};
use serde_json::json;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Every mistake in rig, panel and profile files.
#[derive(Debug, clap::Args)]
#[command(after_help = "Each file says in its first lines what it is: kind = \"rig\", \"panel\" or \"profile\".\n\
    Several rigs are layers, later ones over earlier ones. Several profiles are checked one by one against the\n\
    rig and the panel. Exit codes: 0 fine, 1 mistakes found, 2 bad usage, 3 a file cannot be read.")]
pub(super) struct Check {
    /// The files: rigs, a panel, profiles, in any order
    #[arg(required_unless_present = "codes")]
    files: Vec<PathBuf>,
    /// As JSON
    #[arg(long)]
    json: bool,
    /// Settings of the rig are also taken from the environment (LONGTHROW_...), as the daemon does
    #[arg(long)]
    environment: bool,
    /// Lists every code of a diagnostic with its meaning
    #[arg(long, exclusive = true)]
    codes: bool,
}

/// What was read from the files, by kind.
#[derive(Debug, Default)]
pub(super) struct Files {
    pub(super) rigs: Vec<Source>,
    pub(super) panels: Vec<Source>,
    pub(super) profiles: Vec<Source>,
    diagnostics: Vec<Diagnostic>,
}

impl Check {
    pub(super) fn run(&self) -> u8 {
        if self.codes {
            let text: String = CODES.iter().map(|(_, name, meaning)| format!("{name}  {meaning}\n")).collect();
            return if print(&text) { exit::FINE } else { exit::COULD_NOT_RUN };
        }
        let files = match self.read() {
            Ok(files) => files,
            Err(code) => return code,
        };
        let diagnostics = files.check(if self.environment { environment() } else { Vec::new() });
        let (missing, refused) = (missing(&files), refused(&diagnostics));
        let printed = if self.json {
            print_json(&json!({ "fine": !refused, "diagnostics": diagnostics, "not_checked": missing }))
        } else {
            print(&to_text(&diagnostics, refused, &missing))
        };
        match (printed, refused) {
            (false, _) => exit::COULD_NOT_RUN,
            (true, true) => exit::NOT_FINE,
            (true, false) => exit::FINE,
        }
    }

    fn read(&self) -> Result<Files, u8> {
        let mut files = Files::default();
        for path in &self.files {
            let name = path.display().to_string();
            let bytes = read_bounded(path).map_err(|error| {
                complain(&format!("cannot read {name}: {error}"));
                exit::COULD_NOT_RUN
            })?;
            files.add(&name, bytes);
        }
        if files.panels.len() > 1 {
            complain("an installation has one panel file; check them one at a time");
            return Err(exit::USAGE);
        }
        Ok(files)
    }
}

impl Files {
    /// Puts a file to those of its kind.
    pub(super) fn add(&mut self, name: &str, bytes: Vec<u8>) {
        let source = match Source::from_bytes(name, bytes) {
            Ok(source) => source,
            Err(diagnostic) => return self.diagnostics.push(*diagnostic),
        };
        match FileKind::of(&source.text) {
            Some(FileKind::Rig) => self.rigs.push(source),
            Some(FileKind::Panel) => self.panels.push(source),
            Some(FileKind::Profile) => self.profiles.push(source),
            None => {
                // Read as a profile it yields what is wrong with its head; the other keys say nothing.
                let (_, diagnostics) = profile::read_profile(source);
                let (head, rest): (Vec<_>, Vec<_>) =
                    diagnostics.into_iter().partition(|diagnostic| diagnostic.code <= profile::Code::F04);
                self.diagnostics.extend(if head.is_empty() { rest } else { head });
            }
        }
    }

    /// Every mistake in them, each profile against rig and panel.
    pub(super) fn check(&self, environment: Vec<(String, String)>) -> Vec<Diagnostic> {
        let mut diagnostics = self.diagnostics.clone();
        let panel = self.panels.first().cloned();
        let texts = Texts { rig: self.rigs.clone(), environment, panel, ..Texts::default() };
        let mut rounds: Vec<Option<Source>> = self.profiles.iter().cloned().map(Some).collect();
        if rounds.is_empty() {
            rounds.push(None);
        }
        for profile in rounds {
            let (_, found) = profile::check(&Texts { profile, ..texts.clone() });
            for diagnostic in found {
                // What is wrong with rig or panel comes again with every profile.
                if !diagnostics.contains(&diagnostic) {
                    diagnostics.push(diagnostic);
                }
            }
        }
        diagnostics
    }
}

/// Whether anything refuses them.
pub(super) fn refused(diagnostics: &[Diagnostic]) -> bool {
    diagnostics.iter().any(|diagnostic| diagnostic.severity == Severity::Error)
}

/// The variables that are text; no other can be a setting.
fn environment() -> Vec<(String, String)> {
    std::env::vars_os()
        .filter_map(|(name, value)| Some((name.into_string().ok()?, value.into_string().ok()?)))
        .collect()
}

/// The bytes of a file, but no more than are needed to see that it is too large.
pub(super) fn read_bounded(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let limit = u64::try_from(profile::FILE_BYTES_MAX).unwrap_or(u64::MAX) + 4;
    std::fs::File::open(path)?.take(limit).read_to_end(&mut bytes)?;
    if bytes.len() > profile::FILE_BYTES_MAX {
        // A character may be cut; what is too large is refused unread anyway.
        bytes = vec![b' '; profile::FILE_BYTES_MAX + 1];
    }
    Ok(bytes)
}

/// What could not be checked because the file it refers to was not given.
fn missing(files: &Files) -> Vec<&'static str> {
    let mut missing = Vec::new();
    if files.rigs.is_empty() && !files.panels.is_empty() {
        missing.push("control ports named by the panel, for want of a rig");
    }
    if !files.profiles.is_empty() {
        if files.rigs.is_empty() {
            missing.push("inputs and outputs named by the profile, for want of a rig");
        }
        if files.panels.is_empty() {
            missing.push("controls named by the profile, for want of a panel");
        }
    }
    missing
}

/// Diagnostics for people, with what came of them in the last line.
pub(super) fn to_text(diagnostics: &[Diagnostic], refused: bool, missing: &[&str]) -> String {
    let mut text = String::new();
    for diagnostic in diagnostics {
        text += &format!("{diagnostic}\n\n");
    }
    for missing in missing {
        text += &format!("not checked: {missing}\n");
    }
    let count = profile::count(diagnostics);
    text + &if refused { format!("refused ({count})\n") } else { format!("fine ({count})\n") }
}
