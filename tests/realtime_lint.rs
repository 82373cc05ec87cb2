//! What must not stand in the real-time rooms; each ban is seen to name a planted offence.
//!
//! Two layers. Clippy bans by type (`clippy.toml`, switched on in `src/lib.rs`): locks, growing collections, I/O, clocks,
//! and arithmetic whose last bits depend on the machine. The rest is here, function by function, in `dsp`, `engine` and
//! `handoff`:
//!
//! * a public function of `engine` or `handoff` ends its docs with `Real-time: safe` or `Real-time: never`;
//! * a function that does not say `Real-time: never` takes no memory and gives none back. Where a word only looks like it
//!   (a ring of fixed size has a `push`), the line above it or its end says so: `// Real-time: <why this is none>`.
//!
//! Both read one function at a time; what a function calls is seen by the checker that `make realtime` links in.

#[path = "support/source.rs"]
mod source;

use source::{Source, assert_named, is_name, read_all};
use std::path::Path;
use std::process::Command;

const ROOMS: &[&str] = &["dsp", "engine", "handoff"];
const MARKED_ROOMS: &[&str] = &["engine", "handoff"];
const SAFE: &str = "Real-time: safe";
const NEVER: &str = "Real-time: never";
const EXCUSE: &str = "// Real-time: ";

/// Words that take memory or give it back, with what to do instead.
const MEMORY: &[(&str, &str)] = &[
    (".push(", GROWS),
    (".push_str(", GROWS),
    (".push_back(", GROWS),
    (".push_front(", GROWS),
    (".insert(", GROWS),
    (".append(", GROWS),
    (".extend(", GROWS),
    (".extend_from_slice(", GROWS),
    (".resize(", GROWS),
    (".resize_with(", GROWS),
    (".reserve(", GROWS),
    (".shrink_to_fit(", GROWS),
    (".split_off(", GROWS),
    (".collect(", TAKES),
    (".collect::<", TAKES),
    (".clone(", TAKES),
    (".to_vec(", TAKES),
    (".to_owned(", TAKES),
    (".to_string(", TAKES),
    (".into_boxed_slice(", TAKES),
    (".into_vec(", TAKES),
    (".concat(", TAKES),
    (".repeat(", TAKES),
    ("vec![", TAKES),
    ("format!(", TAKES),
    ("Vec::", TAKES),
    ("Vec<", TAKES),
    ("String::", TAKES),
    ("Box::", TAKES),
    ("Arc::", TAKES),
    ("Rc::", TAKES),
    ("drop(", GIVES),
    ("ManuallyDrop::", GIVES),
];

const GROWS: &str = "grows; write into memory sized at start";
const TAKES: &str = "takes memory; build it outside and move it in";
const GIVES: &str = "gives memory back; send it to the control side";

fn offences(source: &Source) -> Vec<String> {
    let Some(room) = source.module(0).first().cloned() else { return Vec::new() };
    if !ROOMS.contains(&&*room) {
        return Vec::new();
    }
    let lines: Vec<&str> = source.text.lines().collect();
    let excused = |line: usize| {
        let is_excuse = |line: &str| line.split_once(EXCUSE).is_some_and(|(_, why)| why.split(' ').count() > 2);
        is_excuse(lines[line - 1])
            || (line > 1 && lines[line - 2].trim().starts_with("//") && is_excuse(lines[line - 2]))
    };
    let mut offences = Vec::new();
    for function in source.functions() {
        let (file, name) = (&source.name, &function.name);
        let last = function.docs.iter().rev().find(|line| !line.is_empty()).map(String::as_str);
        if function.public && MARKED_ROOMS.contains(&&*room) && last != Some(SAFE) && last != Some(NEVER) {
            let line = function.line;
            offences.push(format!("{file}:{line}: the docs of {name} end neither \"{SAFE}\" nor \"{NEVER}\""));
        }
        if last == Some(NEVER) {
            continue;
        }
        for (word, why) in MEMORY {
            for (at, _) in source.code[function.body.clone()].match_indices(word) {
                let at = function.body.start + at;
                let begins = !word.starts_with(is_name) || !source.code[..at].ends_with(is_name);
                let line = source.line(at);
                if begins && !source.is_test(at) && !excused(line) {
                    offences.push(format!("{file}:{line}: {word} in {name}: {why}"));
                }
            }
        }
    }
    offences
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn the_real_time_rooms_keep_their_promise() {
    let offences: Vec<_> = read_all(root(), "src").iter().flat_map(offences).collect();
    assert!(offences.is_empty(), "\n{}", offences.join("\n"));
}

#[test]
fn planted_offences_are_named_with_file_and_line() {
    let planted = read_all(&root().join("tests/fixtures/realtime"), "src");
    let found: Vec<_> = planted.iter().flat_map(offences).collect();
    assert_named(&planted, &found);
}

#[test]
fn every_word_about_memory_is_named_and_free_where_it_is_allowed() {
    for (word, why) in MEMORY {
        let function = |docs: &str, above: &str| {
            let text = format!("{docs}\npub fn planted() {{\n    {above}\n    {word}\n}}\n");
            offences(&Source::new("src/engine/planted.rs", &text))
        };
        assert_eq!(
            function("/// Real-time: safe", ""),
            [format!("src/engine/planted.rs:4: {word} in planted: {why}")],
            "a planted {word}"
        );
        assert_eq!(function("/// Real-time: never", ""), [""; 0], "{word} outside the callback");
        assert_eq!(function("/// Real-time: safe", "// Real-time: a ring of fixed size"), [""; 0], "{word} excused");
        assert_eq!(function("/// Real-time: safe", "// Real-time: ok").len(), 1, "{word} excused without a reason");
    }
}

#[test]
fn the_bans_by_type_are_switched_on_for_the_real_time_rooms() {
    let library = Source::new("src/lib.rs", include_str!("../src/lib.rs"));
    let lines: Vec<&str> = library.text.lines().collect();
    for room in ROOMS {
        let module = lines.iter().position(|line| *line == format!("pub mod {room};")).expect("the room is there");
        for lint in ["disallowed_methods", "disallowed_types", "disallowed_macros"] {
            let switch = lines[module - 1];
            assert!(switch.starts_with("#[cfg_attr(not(test), deny(") && switch.contains(lint), "{room}: {lint}");
        }
    }
}

#[test]
fn clippy_names_every_ban_by_type() {
    let folder = std::env::temp_dir().join(format!("longthrow-bans-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder for what clippy writes");
    let run = Command::new("clippy-driver")
        .current_dir(root().join("tests/fixtures/realtime"))
        .env("CLIPPY_CONF_DIR", root())
        .args(["--edition", "2024", "--crate-type", "lib", "--emit", "metadata", "--error-format", "short"])
        .args(["banned_by_type.rs", "--out-dir"])
        .arg(&folder)
        .output();
    std::fs::remove_dir_all(&folder).expect("the folder is ours");
    let run = match run {
        Ok(run) => run,
        Err(missing) => {
            eprintln!("skipped: clippy is not installed ({missing})");
            return;
        }
    };
    let said = String::from_utf8(run.stderr).expect("clippy writes UTF-8");
    let found: Vec<String> = said.lines().filter(|line| line.contains("disallowed")).map(str::to_owned).collect();
    let text = include_str!("fixtures/realtime/banned_by_type.rs");
    assert_named(&[Source::new("banned_by_type.rs", text)], &found);

    // And nothing is banned that was not planted.
    for entry in include_str!("../clippy.toml").lines().filter(|line| line.contains("path =")) {
        let path = entry.split('"').nth(1).expect("a path in quotes");
        assert!(text.contains(&format!(" `{path}`")), "no offence is planted against {path}");
    }
}
