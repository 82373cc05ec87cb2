//! Where the readers note what they find: places in texts, kept until all texts are read.

use super::diagnostic::{Code, Diagnostic, Label, SHOWN_LINE_MAX, Severity};
use std::sync::Arc;

/// No file yields more diagnostics than this; the rest are counted.
pub(super) const LISTED_MAX: usize = 200;

/// Which text, and which of its bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Place {
    pub(super) text: usize,
    pub(super) start: usize,
    pub(super) end: usize,
}

/// One text that is being read.
#[derive(Debug)]
struct Text {
    name: Arc<str>,
    text: Arc<str>,
    layer: Option<String>,
    /// Lines (as byte ranges) that are not TOML: what else is wrong in them follows from that.
    broken: Vec<(usize, usize)>,
    /// From here on the structure cannot be trusted.
    lost_from: Option<usize>,
    listed: usize,
    unlisted: usize,
}

/// A diagnostic whose places are not yet resolved.
#[derive(Debug)]
pub(super) struct Note {
    code: Code,
    severity: Severity,
    headline: String,
    place: Place,
    label: String,
    also: Vec<(Place, String)>,
    help: String,
    dropped: bool,
}

impl Note {
    /// The next step.
    pub(super) fn help(&mut self, help: impl Into<String>) -> &mut Self {
        self.help = help.into();
        self
    }

    /// Another place that has to do with it.
    pub(super) fn also(&mut self, place: Place, label: impl Into<String>) -> &mut Self {
        self.also.push((place, label.into()));
        self
    }
}

/// All texts of one check, and all that was found in them.
#[derive(Debug, Default)]
pub(super) struct Log {
    texts: Vec<Text>,
    notes: Vec<Note>,
}

impl Log {
    /// Takes a text; its index goes into every [`Place`].
    pub(super) fn take(&mut self, name: &str, text: &str, layer: Option<String>) -> usize {
        self.texts.push(Text {
            name: name.into(),
            text: text.into(),
            layer,
            broken: Vec::new(),
            lost_from: None,
            listed: 0,
            unlisted: 0,
        });
        self.texts.len() - 1
    }

    /// The text itself.
    pub(super) fn text_of(&self, text: usize) -> Arc<str> {
        self.texts[text].text.clone()
    }

    /// What stands at a place, on one line and not too long.
    pub(super) fn found(&self, place: Place) -> String {
        const FOUND_MAX: usize = 48;
        let whole = self.texts[place.text].text.get(place.start..place.end).unwrap_or_default();
        let line = whole.lines().next().unwrap_or_default().trim_end();
        if line.len() < whole.trim_end().len() || line.chars().count() > FOUND_MAX {
            line.chars().take(FOUND_MAX).collect::<String>() + "..."
        } else {
            line.to_owned()
        }
    }

    /// Notes an error, unless it only follows from broken TOML in the same place.
    pub(super) fn error(
        &mut self,
        code: Code,
        place: Place,
        headline: impl Into<String>,
        label: impl Into<String>,
    ) -> &mut Note {
        let text = &self.texts[place.text];
        let follows = text.broken.iter().any(|(start, end)| (*start..=*end).contains(&place.start))
            || text.lost_from.is_some_and(|lost| place.start >= lost || code == Code::F08);
        self.push(code, Severity::Error, place, headline.into(), label.into(), follows)
    }

    /// Notes something that does no harm and has no effect.
    pub(super) fn warning(
        &mut self,
        code: Code,
        place: Place,
        headline: impl Into<String>,
        label: impl Into<String>,
    ) -> &mut Note {
        self.push(code, Severity::Warning, place, headline.into(), label.into(), false)
    }

    /// Notes that a line is not TOML. `lost`: what comes after it cannot be trusted either.
    pub(super) fn syntax(&mut self, code: Code, place: Place, headline: &str, label: String, lost: bool) -> &mut Note {
        let text = &mut self.texts[place.text];
        let start = text.text[..place.start].rfind('\n').map_or(0, |feed| feed + 1);
        let end = text.text[place.start..].find('\n').map_or(text.text.len(), |feed| place.start + feed);
        if text.broken.len() < LISTED_MAX {
            text.broken.push((start, end));
        }
        if lost {
            text.lost_from = Some(text.lost_from.map_or(start, |before| before.min(start)));
        }
        // Behind a broken table header keys land in another table, and may meet their like there.
        let follows = code == Code::F02 && text.lost_from.is_some_and(|lost| place.start > lost);
        self.push(code, Severity::Error, place, headline.to_owned(), label, follows)
    }

    /// Whether everything that a text says could be read, so that what it does not name does not exist.
    pub(super) fn whole(&self, text: usize) -> bool {
        self.texts[text].lost_from.is_none()
    }

    /// Whether no more problems of a text will be listed.
    pub(super) fn full(&self, text: usize) -> bool {
        self.texts[text].listed >= LISTED_MAX
    }

    /// Counts a problem of a text that is full.
    pub(super) fn one_more(&mut self, text: usize) {
        self.texts[text].unlisted += 1;
    }

    fn push(
        &mut self,
        code: Code,
        severity: Severity,
        place: Place,
        headline: String,
        label: String,
        follows: bool,
    ) -> &mut Note {
        let text = &mut self.texts[place.text];
        let full = text.listed >= LISTED_MAX;
        if !follows {
            *if full { &mut text.unlisted } else { &mut text.listed } += 1;
        }
        let note = Note {
            code,
            severity,
            headline,
            place,
            label,
            also: Vec::new(),
            help: String::new(),
            dropped: follows || full,
        };
        // A dropped note is only kept until the next one, so that whoever noted it can still finish it.
        if self.notes.last().is_some_and(|last| last.dropped) {
            self.notes.pop();
        }
        self.notes.push(note);
        let last = self.notes.len() - 1;
        &mut self.notes[last]
    }

    /// Whether anything found refuses the files.
    pub(super) fn refused(&self) -> bool {
        self.notes.iter().any(|note| !note.dropped && note.severity == Severity::Error)
    }

    /// Everything found, text by text in the order of their lines.
    pub(super) fn finish(mut self) -> Vec<Diagnostic> {
        for text in 0..self.texts.len() {
            let unlisted = std::mem::take(&mut self.texts[text].unlisted);
            if unlisted > 0 {
                self.texts[text].listed = 0;
                let place = Place { text, start: 0, end: 0 };
                let label = format!("{unlisted} more");
                self.push(Code::F16, Severity::Error, place, "more problems than are listed".into(), label, false)
                    .help("put these right first and check again");
            }
        }
        let mut notes = std::mem::take(&mut self.notes);
        notes.retain(|note| !note.dropped);
        // The count of the unlisted belongs at the end of its text.
        notes.sort_by_key(|note| (note.place.text, note.code == Code::F16, note.place.start));
        notes
            .into_iter()
            .map(|note| Diagnostic {
                code: note.code,
                severity: note.severity,
                headline: note.headline,
                primary: self.label(note.place, note.label),
                secondary: note.also.into_iter().map(|(place, text)| self.label(place, text)).collect(),
                help: note.help,
                layer: self.texts[note.place.text].layer.clone(),
            })
            .collect()
    }

    fn label(&self, place: Place, label: String) -> Label {
        let Text { name, text, .. } = &self.texts[place.text];
        let start = floor(text, place.start);
        let end = floor(text, place.end).max(start);
        let line_start = text[..start].rfind('\n').map_or(0, |feed| feed + 1);
        let line_end = text[start..].find('\n').map_or(text.len(), |feed| start + feed);
        let line = text[..line_start].matches('\n').count() + 1;
        let whole = text[line_start..line_end].trim_end_matches('\r');
        // A byte order mark is no column.
        let whole_start = line_end.min(line_start + whole.len() - whole.trim_start_matches('\u{feff}').len());
        let before = text[whole_start.min(start)..start].chars().count();
        let long = whole.chars().nth(SHOWN_LINE_MAX).is_some();
        let source_from = if long { before.saturating_sub(SHOWN_LINE_MAX / 2) } else { 0 };
        Label {
            file: name.to_string(),
            line,
            column: before + 1,
            width: text[start..end.min(line_end)].trim_end().chars().count().max(1),
            source_line: whole.trim_start_matches('\u{feff}').chars().skip(source_from).take(SHOWN_LINE_MAX).collect(),
            source_from,
            text: label,
        }
    }
}

/// The nearest boundary of characters at or before a byte.
fn floor(text: &str, byte: usize) -> usize {
    (0..=byte.min(text.len())).rev().find(|at| text.is_char_boundary(*at)).unwrap_or(0)
}
