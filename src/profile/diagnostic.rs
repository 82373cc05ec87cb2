//! What is wrong with a file, where, and what to do about it.
//!
//! Building and showing are separate: the readers note a [`Code`], places and texts; [`Diagnostic`] holds
//! them with the places resolved to lines, and its `Display` draws them. Every code is listed in [`CODES`].

use serde::{Serialize, Serializer};
use std::fmt;

/// How much a diagnostic matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// The files are refused.
    Error,
    /// The files are taken; something in them does nothing.
    Warning,
}

/// The stable name of a kind of mistake: F for any file, R for the rig, P for the panel, S for the show's profile,
/// N for panel nodes, C for console logic, K for kept scenes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs, reason = "each meaning stands in CODES")]
pub enum Code {
    F01,
    F02,
    F03,
    F04,
    F05,
    F06,
    F07,
    F08,
    F09,
    F10,
    F11,
    F12,
    F13,
    F14,
    F15,
    F16,
    R01,
    R02,
    R03,
    R04,
    R05,
    R06,
    N01,
    N02,
    N03,
    N04,
    K01,
    K02,
    P01,
    P02,
    P03,
    P04,
    P05,
    S01,
    S02,
    S03,
    S04,
    S05,
    S06,
    S07,
    S08,
    S09,
    S10,
    S11,
    S12,
    S13,
    S14,
    S15,
    C01,
    C02,
    C03,
    C04,
    C05,
    C06,
    C07,
    C08,
}

/// Every code with its name and meaning, in the order of the enum.
pub static CODES: &[(Code, &str, &str)] = &[
    (Code::F01, "F01", "the text is not TOML"),
    (Code::F02, "F02", "a key or table stands twice"),
    (Code::F03, "F03", "the form number is missing or not one this version reads"),
    (Code::F04, "F04", "the kind of file is missing or not the one expected"),
    (Code::F05, "F05", "an unknown key"),
    (Code::F06, "F06", "a value of the wrong type"),
    (Code::F07, "F07", "a number that is not finite"),
    (Code::F08, "F08", "a required key is missing"),
    (Code::F09, "F09", "a name that is no id"),
    (Code::F10, "F10", "the file is too large"),
    (Code::F11, "F11", "a word that is not one of those accepted"),
    (Code::F12, "F12", "a number outside its range"),
    (Code::F13, "F13", "a text that cannot be used as it is written"),
    (Code::F14, "F14", "keys that do not go together"),
    (Code::F15, "F15", "more entries than the program takes"),
    (Code::F16, "F16", "more problems than are listed"),
    (Code::R01, "R01", "a device that the rig does not have"),
    (Code::R02, "R02", "a channel beyond those its device opens"),
    (Code::R03, "R03", "a list of channels that is not one or two different channels"),
    (Code::R04, "R04", "a channel of a device used by two outputs"),
    (Code::R05, "R05", "two entries that reach the same thing"),
    (Code::R06, "R06", "one network address given two roles"),
    (Code::N01, "N01", "a contact on a control port that the rig does not have"),
    (Code::N02, "N02", "a contact on a control port that is no node's"),
    (Code::N03, "N03", "a contact that makes pulses and is closed when the desk is lost"),
    (Code::N04, "N04", "two contacts of the same name on one node"),
    (Code::K01, "K01", "a scene that names a channel the profile does not have"),
    (Code::K02, "K02", "a scene that the profile does not have"),
    (Code::P01, "P01", "a control port that the rig does not have"),
    (Code::P02, "P02", "two controls with the same message"),
    (Code::P03, "P03", "a calibration that is no rising list of points"),
    (Code::P04, "P04", "a kind of control that its settings do not fit"),
    (Code::P05, "P05", "a message that its control port does not carry"),
    (Code::S01, "S01", "an input that the rig does not have"),
    (Code::S02, "S02", "a control that the panel does not have"),
    (Code::S03, "S03", "a bus that the profile does not have"),
    (Code::S04, "S04", "a target that does not exist"),
    (Code::S05, "S05", "an output that the rig does not have"),
    (Code::S06, "S06", "more lanes than the engine has"),
    (Code::S07, "S07", "a response that is no rising list of points within the parameter's range"),
    (Code::S08, "S08", "a control that cannot move its target, or not in that way"),
    (Code::S09, "S09", "an earlier id that is claimed twice or still in use"),
    (Code::S10, "S10", "a value that the parameter does not accept"),
    (Code::S11, "S11", "a setting that has no effect"),
    (Code::S12, "S12", "buses that feed each other in a ring, or too many in a row"),
    (Code::S13, "S13", "a mix-minus or a bus that is off air, used as it cannot be"),
    (Code::S14, "S14", "a channel that reaches a bus on two ways"),
    (Code::S15, "S15", "a sharing group without anybody to share with, or one too many"),
    (Code::C01, "C01", "a room that the rig does not have, or a thing that belongs to none"),
    (Code::C02, "C02", "a contact that the rig does not have"),
    (Code::C03, "C03", "a contact that cannot do this: it would let go when the desk is lost, or makes no pulses"),
    (Code::C04, "C04", "a value that the desk says and nobody sets, or that no file sets"),
    (Code::C05, "C05", "a talkback that people outside would hear"),
    (Code::C06, "C06", "a monitor setting on an output that is no monitor"),
    (Code::C07, "C07", "a rung of the panic ladder that cannot be taken"),
    (Code::C08, "C08", "a talkback that does not say where its slate goes"),
];

impl Code {
    /// The code as it is printed.
    #[must_use]
    pub fn name(self) -> &'static str {
        CODES[self as usize].1
    }

    /// What it means, in one line.
    #[must_use]
    pub fn meaning(self) -> &'static str {
        CODES[self as usize].2
    }
}

impl Serialize for Code {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

/// A piece of one line of a file, and what there is to say about it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Label {
    /// The file, or `built-in`, `environment` or `flags`.
    pub file: String,
    /// The line, counted from 1.
    pub line: usize,
    /// The column in characters, counted from 1.
    pub column: usize,
    /// How many characters are meant; at least 1.
    pub width: usize,
    /// The line, or of a long line the part around the place.
    pub source_line: String,
    /// How many characters of the line stand before that part.
    pub source_from: usize,
    /// The value found and what is accepted, or what else stands here.
    pub text: String,
}

/// One mistake.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Diagnostic {
    /// Which kind of mistake.
    pub code: Code,
    /// Whether the files are refused for it.
    pub severity: Severity,
    /// What is wrong, a lower-case fragment.
    pub headline: String,
    /// Where.
    pub primary: Label,
    /// Other places that have to do with it.
    pub secondary: Vec<Label>,
    /// The next step.
    pub help: String,
    /// Which layer of the rig the value came from, where that is not plain from the file's name.
    pub layer: Option<String>,
}

/// Lines of more characters are kept and shown in part.
pub(super) const SHOWN_LINE_MAX: usize = 110;

impl fmt::Display for Diagnostic {
    /// Draws the diagnostic: head line, source lines with carets, layer, help; no line feed at the end.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let severity = match self.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
        };
        let Label { file, line, column, .. } = &self.primary;
        writeln!(f, "{file}:{line}:{column}: {severity}[{}]: {}", self.code.name(), self.headline)?;
        draw(f, &self.primary, '^')?;
        for label in &self.secondary {
            if label.file != self.primary.file {
                writeln!(f, "  {}:{}:{}:", label.file, label.line, label.column)?;
            }
            draw(f, label, '-')?;
        }
        if let Some(layer) = &self.layer {
            writeln!(f, "   from: {layer}")?;
        }
        write!(f, "   help: {}", self.help)
    }
}

fn draw(f: &mut fmt::Formatter<'_>, label: &Label, mark: char) -> fmt::Result {
    // A tab or another control character would tear line and marks apart.
    let shown: String = label.source_line.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let column = label.column - 1 - label.source_from;
    let width = label.width.min(SHOWN_LINE_MAX.saturating_sub(column)).max(1);
    writeln!(f, "{:>5} | {}", label.line, shown.trim_end())?;
    let (space, marks) = (" ".repeat(column), mark.to_string().repeat(width));
    writeln!(f, "      | {space}{marks} {}", label.text)
}

/// How many errors there are, for closing lines: `1 error`, `2 errors and 1 warning`.
#[must_use]
pub fn count(diagnostics: &[Diagnostic]) -> String {
    let of = |severity, word: &str| {
        let number = diagnostics.iter().filter(|diagnostic| diagnostic.severity == severity).count();
        match number {
            0 => None,
            1 => Some(format!("1 {word}")),
            _ => Some(format!("{number} {word}s")),
        }
    };
    let parts: Vec<String> =
        [of(Severity::Error, "error"), of(Severity::Warning, "warning")].into_iter().flatten().collect();
    if parts.is_empty() { "no errors".to_owned() } else { parts.join(" and ") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_of_codes_is_in_the_order_of_the_enum() {
        for (index, (code, name, _)) in CODES.iter().enumerate() {
            assert_eq!(*code as usize, index);
            assert_eq!(format!("{code:?}"), *name);
        }
    }
}
