//! Writing values into a profile's text: comments, order and whatever else is there stay as they are.

use super::model::{Id, Part, Scene};
use crate::params::{Address, Value};
use toml_edit::{Array, DocumentMut, Item, Table, TableLike, value};

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

/// The text with this scene in it, in place of the one of its name; says whether anything is another thing now.
///
/// # Errors
/// The text is no TOML, or something of the scene's name is no table there: in words.
pub fn with_scene(text: &str, scene: &Scene) -> Result<(String, bool), String> {
    let mut document: DocumentMut = text.parse().map_err(|error| format!("{error}"))?;
    let no_table = || format!("scene.{} cannot be written there: a part of it is no table", scene.id);
    let implicit = || {
        let mut table = Table::new();
        table.set_implicit(true);
        Item::Table(table)
    };
    let all = document.entry("scene").or_insert_with(implicit).as_table_like_mut().ok_or_else(no_table)?;
    let table = all.entry(&scene.id).or_insert_with(|| Item::Table(Table::new()));
    let table = table.as_table_like_mut().ok_or_else(no_table)?;
    let texts = |words: &[&str]| words.iter().copied().collect::<Array>();
    let ids = |ids: &[Id]| texts(&ids.iter().map(|id| &**id).collect::<Vec<&str>>());
    // What is usual is written only over something else.
    let scope: Vec<&str> = scene.scope.iter().map(|part| part.word()).collect();
    list(table, "scope", texts(&scope), scene.scope == Part::USUAL);
    list(table, "channels", ids(scene.channels.as_deref().unwrap_or_default()), scene.channels.is_none());
    if scene.channels.is_none() {
        table.remove("channels");
    }
    list(table, "protect", ids(&scene.protect), scene.protect.is_empty());
    set(table, "fade_s", &Value::Number(scene.fade_s), false);
    for word in ["channel", "bus"] {
        if let Some(inner) = table.get_mut(word).and_then(Item::as_table_like_mut) {
            keep_only(inner, word, &|path| scene.values.keys().any(|address| address.to_string() == path));
        }
    }
    for (address, new) in &scene.values {
        let path = address.to_string();
        let words: Vec<&str> = path.split('.').collect();
        put(table, &words, new, false, 0).ok_or_else(no_table)?;
    }
    let edited = document.to_string();
    let changed = edited != text;
    Ok((edited, changed))
}

/// A list of texts at a key, unless it says that already, or is not there and says what is usual.
fn list(table: &mut dyn TableLike, key: &str, new: Array, usual: bool) {
    let words = |array: &Array| array.iter().map(|item| item.as_str().map(str::to_owned)).collect::<Vec<_>>();
    match table.get(key).map(|item| item.as_array().map(words)) {
        None if usual => {}
        Some(Some(old)) if old == words(&new) => {}
        _ => drop(table.insert(key, value(new))),
    }
}

/// Removes every value below a table whose path is not wanted, and what is empty then.
fn keep_only(table: &mut dyn TableLike, path: &str, wanted: &dyn Fn(&str) -> bool) {
    let keys: Vec<String> = table.iter().map(|(key, _)| key.to_owned()).collect();
    for key in keys {
        let path = format!("{path}.{key}");
        let gone = match table.get_mut(&key).and_then(Item::as_table_like_mut) {
            Some(inner) => {
                keep_only(inner, &path, wanted);
                inner.is_empty()
            }
            None => !wanted(&path),
        };
        if gone {
            table.remove(&key);
        }
    }
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
    fn what_is_as_it_was_changes_no_byte() {
        let (text, changed) =
            edited(&[("channel.lectern.fader", Value::Number(0.0)), ("channel.lectern.trim", Value::Number(0.0))]);
        assert_eq!((text.as_str(), changed), (TEXT, 0));
    }

    #[test]
    fn a_scene_is_written_beside_what_is_there_and_over_itself() {
        let address = |path| Address::from_dotted(path).expect("an address");
        let mut scene = Scene::new("opening".into());
        scene.protect = vec!["host".into()];
        scene.values = [
            (address("channel.lectern.fader"), Value::Number(-6.1)),
            (address("channel.lectern.assign.programme"), Value::Word("on".into())),
            (address("bus.programme.fader"), Value::Off),
        ]
        .into();
        let (first, changed) = with_scene(TEXT, &scene).expect("it is sound");
        let expected = "\n[scene.opening]\nprotect = [\"host\"]\nfade_s = 2.0\n\n[scene.opening.channel.lectern]\nfader = -6.1\n\
            assign.programme = \"on\"\n\n[scene.opening.bus.programme]\nfader = \"off\"\n";
        assert!(changed);
        assert_eq!(first, format!("{TEXT}{expected}"));
        assert_eq!(with_scene(&first, &scene).expect("sound"), (first.clone(), false));
        // Again, with a remark of somebody's in it and less to keep.
        let remarked = first.replace("fader = -6.1\n", "fader = -6.1 # as on Friday\n");
        scene.values.remove(&address("bus.programme.fader"));
        scene.values.insert(address("channel.lectern.fader"), Value::Number(-3.0));
        let (second, _) = with_scene(&remarked, &scene).expect("sound");
        let expected = remarked
            .replace("fader = -6.1 #", "fader = -3.0 #")
            .replace("\n[scene.opening.bus.programme]\nfader = \"off\"\n", "");
        assert_eq!(second, expected);
    }

    #[test]
    fn a_part_of_the_path_that_is_no_table_is_refused() {
        let address = Address::from_dotted("channel.lectern.fader").expect("an address");
        let refused = with_values("channel = 3\n", [(&address, &Value::Off)]);
        assert!(refused.is_err_and(|why| why.contains("channel.lectern.fader")));
    }
}
