//! Writing values into a profile's text: comments, order and whatever else is there stay as they are.

use crate::params::{Address, Value};
use toml_edit::{DocumentMut, Item, Table, TableLike, value};

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
