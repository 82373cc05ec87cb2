//! Writing values, moves and controls into the text of a file: comments, order and whatever else is there stay as they are.

use super::model::{Control, ControlKind, Message, StepCoding};
use crate::params::{Address, Value};
use toml_edit::{Document, DocumentMut, Item, Table, TableLike, value};

/// The text with these values, and how many of its values that changed. A value that the text does not mention is added only
/// where it is not the parameter's default.
///
/// # Errors
/// The text is no TOML, or one of the tables is something else there: in words.
pub fn with_values<'a>(
    text: &str,
    values: impl IntoIterator<Item = (&'a Address, &'a Value)>,
) -> Result<(String, usize), String> {
    let mut document: DocumentMut = text.parse().map_err(|error| format!("{error}"))?;
    let mut changed = 0;
    for (address, new) in values {
        let path = address.to_string();
        let words: Vec<&str> = path.split('.').collect();
        let default = address.key.parameter().default_value();
        changed += usize::from(
            put(document.as_table_mut(), &words, new, default.as_ref() == Some(new), 0)
                .ok_or_else(|| format!("{path} cannot be written there: a part of it is no table"))?,
        );
    }
    Ok((document.to_string(), changed))
}

/// The text with another text at `table.id.key`, or without that key; nothing when it has no `[table.id]`.
///
/// # Errors
/// The text is no TOML: in words.
pub fn with_text(text: &str, table: &str, id: &str, key: &str, new: Option<&str>) -> Result<Option<String>, String> {
    let mut document: DocumentMut = text.parse().map_err(|error| format!("{error}"))?;
    let inner = document.get_mut(table).and_then(Item::as_table_like_mut).and_then(|outer| outer.get_mut(id));
    let Some(inner) = inner.and_then(Item::as_table_like_mut) else { return Ok(None) };
    match (new, inner.get_mut(key).and_then(Item::as_value_mut)) {
        (None, _) => {
            inner.remove(key);
        }
        (Some(new), Some(old)) => {
            let decor = old.decor().clone();
            *old = toml_edit::Value::from(new);
            *old.decor_mut() = decor;
        }
        (Some(new), None) => {
            inner.insert(key, value(new));
        }
    }
    Ok(Some(document.to_string()))
}

/// The text of a profile in which a control moves another parameter, or none. What else its move said (a response, a step)
/// was for the old parameter and goes with it.
///
/// # Errors
/// The text is no TOML, or has something else where the moves are: in words.
pub fn with_move(text: &str, control: &str, target: Option<&Address>) -> Result<String, String> {
    let Some(target) = target else { return without_move(text, control) };
    let mut document: DocumentMut = text.parse().map_err(|error| format!("{error}"))?;
    let moves = document.entry("moves").or_insert_with(|| Item::Table(Table::new()));
    let moves = moves.as_table_like_mut().ok_or("\"moves\" is no table there")?;
    let mut fresh = value(target.to_string());
    match (moves.get_mut(control), fresh.as_value_mut()) {
        (Some(Item::Value(old)), Some(fresh)) => {
            *fresh.decor_mut() = old.decor().clone();
            *old = fresh.clone();
        }
        // A table with a header of its own cannot become a line where it stands.
        (Some(_), _) => {
            moves.remove(control);
            moves.insert(control, fresh);
        }
        (None, _) => {
            moves.insert(control, fresh);
        }
    }
    Ok(document.to_string())
}

/// Takes the line of a move away, and nothing else: what stands above it stays.
fn without_move(text: &str, control: &str) -> Result<String, String> {
    let document = Document::parse(text).map_err(|error| format!("{error}"))?;
    let moves = document.get("moves").and_then(Item::as_table_like);
    let Some((key, item)) = moves.and_then(|moves| moves.get_key_value(control)) else { return Ok(text.to_owned()) };
    let span = key.span().zip(item.as_value().and_then(toml_edit::Value::span));
    if let Some((key, value)) = span
        && let start = text[..key.start].rfind('\n').map_or(0, |newline| newline + 1)
        && text[start..key.start].trim().is_empty()
    {
        let end = text[value.end..].find('\n').map_or(text.len(), |newline| value.end + newline + 1);
        return Ok(text[..start].to_owned() + &text[end..]);
    }
    let mut document: DocumentMut = text.parse().map_err(|error| format!("{error}"))?;
    if let Some(moves) = document.get_mut("moves").and_then(Item::as_table_like_mut) {
        moves.remove(control);
    }
    Ok(document.to_string())
}

/// The text of a panel with one more control at its end.
#[must_use]
pub fn with_control(text: &str, control: &Control) -> String {
    let kind = match control.kind {
        ControlKind::Fader => "fader",
        ControlKind::Knob => "knob",
        ControlKind::Encoder(_) => "encoder",
        ControlKind::Momentary => "momentary",
        ControlKind::Hold => "hold",
        ControlKind::Latching => "latching",
        ControlKind::Lamp => "lamp",
    };
    let mut table = Table::new();
    let mut put = |key: &str, item: Item| {
        table.insert(key, item);
    };
    put("place", value(&control.place));
    put("kind", value(kind));
    put("port", value(&*control.port));
    let (message, numbers) = match &control.message {
        Message::ControlChange { channel, number } => ("control-change", Some((channel, Some(u16::from(*number))))),
        Message::ControlChange14 { channel, number } => {
            ("control-change-14", Some((channel, Some(u16::from(*number)))))
        }
        Message::Nrpn { channel, number } => ("nrpn", Some((channel, Some(*number)))),
        Message::PitchBend { channel } => ("pitch-bend", Some((channel, None))),
        Message::Note { channel, number } => ("note", Some((channel, Some(u16::from(*number))))),
        Message::ProgramChange { channel, number } => ("program-change", Some((channel, Some(u16::from(*number))))),
        Message::Osc { .. } => ("osc", None),
    };
    put("message", value(message));
    if let Some((channel, number)) = numbers {
        put("channel", value(i64::from(*channel) + 1));
        if let Some(number) = number {
            put("number", value(i64::from(number)));
        }
    }
    if let Message::Osc { address, lowest, highest } = &control.message {
        put("address", value(address));
        put("lowest", value(shortest(*lowest)));
        put("highest", value(shortest(*highest)));
    }
    if let ControlKind::Encoder(coding) = control.kind {
        let word = match coding {
            StepCoding::TwosComplement => "twos-complement",
            StepCoding::OffsetBinary => "offset-binary",
            StepCoding::SignMagnitude => "sign-magnitude",
        };
        put("coding", value(word));
    }
    format!("{}\n\n[control.{}]\n{table}", text.trim_end(), control.id)
}

/// Puts a value at a path below a table; says whether anything changed, or nothing when a part of the path is no table.
fn put(table: &mut dyn TableLike, words: &[&str], new: &Value, default: bool, depth: usize) -> Option<bool> {
    let (word, rest) = words.split_first()?;
    if rest.is_empty() {
        return Some(set(table, word, new, default));
    }
    if table.get(word).is_none() {
        if default {
            return Some(false);
        }
        let mut inner = Table::new();
        // [channel.lectern] has a header of its own; what is below it is written with dots.
        inner.set_implicit(depth == 0);
        inner.set_dotted(depth > 1);
        table.insert(word, Item::Table(inner));
    }
    put(table.get_mut(word)?.as_table_like_mut()?, rest, new, default, depth + 1)
}

fn set(table: &mut dyn TableLike, word: &str, new: &Value, default: bool) -> bool {
    let item = match new {
        Value::Number(number) => value(shortest(*number)),
        Value::Off => value("off"),
        Value::Word(word) => value(&**word),
    };
    match table.get_mut(word).and_then(Item::as_value_mut) {
        None if default => false,
        None => {
            table.insert(word, item);
            true
        }
        Some(old) if same(old, new) => false,
        Some(old) => {
            let decor = old.decor().clone();
            if let Ok(mut fresh) = item.into_value() {
                *fresh.decor_mut() = decor;
                *old = fresh;
            }
            true
        }
    }
}

fn same(old: &toml_edit::Value, new: &Value) -> bool {
    let number = old.as_float().or_else(|| old.as_integer().map(|whole| whole as f64));
    match new {
        #[expect(clippy::cast_possible_truncation, reason = "as the profile is read")]
        Value::Number(new) => number.is_some_and(|old| (old as f32 - new).abs() <= f32::EPSILON * new.abs()),
        Value::Off => old.as_str() == Some("off"),
        Value::Word(word) => old.as_str() == Some(&**word),
    }
}

/// A number in single precision by its own shortest digits, not by those of its double.
fn shortest(number: f32) -> f64 {
    format!("{number:?}").parse().unwrap_or_else(|_| f64::from(number))
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "form = 1\nkind = \"profile\"\nname = \"Evening\"\n\n# The lectern.\n[channel.lectern]\nsource = \"mic\"\nfader = 0.0 # as rehearsed\nassign.programme = \"on\"\n\n[bus.programme]\nlabel = \"On air\"\n";

    fn edited(values: &[(&str, Value)]) -> (String, usize) {
        let values: Vec<(Address, Value)> = values
            .iter()
            .map(|(path, value)| (Address::from_dotted(path).expect("an address"), value.clone()))
            .collect();
        with_values(TEXT, values.iter().map(|(address, value)| (address, value))).expect("it is sound")
    }

    #[test]
    fn values_change_in_place_and_comments_stay() {
        let (text, changed) = edited(&[
            ("channel.lectern.fader", Value::Number(-6.1)),
            ("channel.lectern.trim", Value::Number(4.0)),
            ("channel.lectern.pan", Value::Number(0.0)),
            ("channel.lectern.assign.programme", Value::Word("on".into())),
            ("channel.lectern.assign.audition", Value::Word("on".into())),
            ("channel.lectern.equaliser.low-mid.frequency", Value::Number(410.5)),
            ("bus.programme.fader", Value::Off),
            ("output.headphones.level", Value::Number(-20.0)),
        ]);
        assert_eq!(changed, 6, "{text}");
        let expected = TEXT
            .replace("fader = 0.0 #", "fader = -6.1 #")
            .replace(
                "assign.programme = \"on\"\n",
                "assign.programme = \"on\"\nassign.audition = \"on\"\ntrim = 4.0\nequaliser.low-mid.frequency = 410.5\n",
            )
            .replace("\"On air\"\n", "\"On air\"\nfader = \"off\"\n")
            + "\n[output.headphones]\nlevel = -20.0\n";
        assert_eq!(text, expected);
    }

    const MOVES: &str = "name = \"x\"\n[moves] # by hand\n# the lectern\nfader-1 = \"channel.lectern.fader\" # left\n\
        # long\nfader-2 = { target = \"channel.guest.fader\", response = [\n  [0.0, -60.0],\n  [1.0, 0.0],\n] } # right\n\
        main = \"bus.programme.fader\"\n";

    fn moved(control: &str, target: Option<&str>) -> String {
        let target = target.map(|path| Address::from_dotted(path).expect("an address"));
        with_move(MOVES, control, target.as_ref()).expect("it is sound")
    }

    #[test]
    fn a_move_is_put_re_pointed_and_taken_away_and_comments_stay() {
        let pan = "channel.lectern.pan";
        assert_eq!(moved("fader-1", Some(pan)), MOVES.replace("channel.lectern.fader", pan));
        assert_eq!(moved("new", Some(pan)), MOVES.to_owned() + "new = \"channel.lectern.pan\"\n");
        let (before, rest) = MOVES.split_once("fader-2").expect("there");
        let (_, after) = rest.split_once(" # right").expect("there");
        assert_eq!(moved("fader-2", Some(pan)), format!("{before}fader-2 = \"{pan}\" # right{after}"));
        assert_eq!(moved("fader-2", None), before.to_owned() + after.trim_start());
        assert_eq!(moved("fader-1", None), MOVES.replace("fader-1 = \"channel.lectern.fader\" # left\n", ""));
        assert_eq!(moved("nobody", None), MOVES);
        let target = Address::from_dotted(pan).expect("an address");
        assert_eq!(
            with_move("name = \"x\"\n", "f", Some(&target)).as_deref(),
            Ok("name = \"x\"\n\n[moves]\nf = \"channel.lectern.pan\"\n")
        );
        let table = "[moves.f]\ntarget = \"channel.a.fader\"\nrejoin = \"converge\"\n";
        assert_eq!(with_move(table, "f", None).as_deref(), Ok(""));
        assert!(with_move(table, "f", Some(&target)).is_ok_and(|text| text.contains("f = \"channel.lectern.pan\"")));
        assert!(with_move("moves = 3\n", "f", Some(&target)).is_err());
    }

    #[test]
    fn a_control_is_added_at_the_end_and_reads_back_as_it_was() {
        let text = "form = 1\nkind = \"panel\"\n# the end";
        let messages = [
            (ControlKind::Fader, Message::ControlChange14 { channel: 15, number: 7 }),
            (ControlKind::Knob, Message::Nrpn { channel: 0, number: 16_383 }),
            (ControlKind::Encoder(StepCoding::OffsetBinary), Message::ControlChange { channel: 1, number: 20 }),
            (ControlKind::Fader, Message::PitchBend { channel: 3 }),
            (ControlKind::Latching, Message::Note { channel: 9, number: 60 }),
            (ControlKind::Momentary, Message::ProgramChange { channel: 9, number: 1 }),
            (ControlKind::Hold, Message::Osc { address: "/box/speak".into(), lowest: 0.0, highest: 127.5 }),
        ];
        for (kind, message) in messages {
            let control = Control {
                id: "lectern-fader".into(),
                place: "the \"left\" one".into(),
                kind,
                port: "box".into(),
                message,
                calibration: None,
                travel_mm: 100.0,
                feedback: false,
            };
            let with = with_control(text, &control);
            assert!(with.starts_with(text), "{with}");
            let source = crate::profile::Source { name: "panel".into(), text: with.clone() };
            let (panel, found) = crate::profile::read_panel(source);
            assert_eq!(panel.map(|panel| panel.controls), Some(vec![control]), "{with}\n{found:?}");
        }
    }

    #[test]
    fn a_text_is_put_in_place_added_or_taken_away() {
        let text = "# The rig.\n[device.box]\nhost = \"jack\" # the old one\nlink_inputs = [\"a:1\"]\n";
        let host = with_text(text, "device", "box", "host", Some("alsa")).expect("sound").expect("there");
        assert_eq!(host, text.replace("\"jack\"", "\"alsa\""));
        let named = with_text(text, "device", "box", "identity", Some("hw:\"x\"")).expect("sound").expect("there");
        assert_eq!(named, format!("{text}identity = 'hw:\"x\"'\n"));
        let less = with_text(text, "device", "box", "link_inputs", None).expect("sound").expect("there");
        assert_eq!(less, text.replace("link_inputs = [\"a:1\"]\n", ""));
        assert_eq!(with_text(text, "device", "other", "host", Some("alsa")), Ok(None));
    }

    #[test]
    fn what_is_as_it_was_changes_no_byte() {
        let (text, changed) =
            edited(&[("channel.lectern.fader", Value::Number(0.0)), ("channel.lectern.trim", Value::Number(0.0))]);
        assert_eq!((text.as_str(), changed), (TEXT, 0));
    }

    #[test]
    fn a_part_of_the_path_that_is_no_table_is_refused() {
        let address = Address::from_dotted("channel.lectern.fader").expect("an address");
        let refused = with_values("channel = 3\n", [(&address, &Value::Off)]);
        assert!(refused.is_err_and(|why| why.contains("channel.lectern.fader")));
    }
}
