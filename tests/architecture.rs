//! The plan of the house holds: arrows between rooms, what stays out of the pure rooms, where `unsafe` may stand, and
//! what lies at the top of the repository. Each offence is named with file and line.

#[path = "support/source.rs"]
mod source;

use source::{Source, assert_named, read_all, words};
use std::path::Path;
use std::process::Command;

/// Each room and the rooms that it may use. An arrow that is not here is forbidden, in tests too.
const ROOMS: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("words", &[]),
    ("dsp", &["units"]),
    ("engine", &["dsp", "units"]),
    ("handoff", &["engine", "units"]),
    ("params", &["units"]),
    ("profile", &["params", "units"]),
    ("panel", &["profile", "params", "units"]),
    // `dsp` is for levels and pan laws: what the desk aims at and what the engine does are the same formula.
    ("desk", &["panel", "profile", "params", "engine", "dsp", "units", "words"]),
    ("guard", &["dsp", "units", "engine"]),
    ("ports", &["guard", "desk", "panel", "profile", "params", "handoff", "engine", "dsp", "units"]),
    ("daemon", EVERY_ROOM),
    ("cli", EVERY_ROOM),
    ("main", EVERY_ROOM),
];

const EVERY_ROOM: &[&str] = &[
    "units", "words", "dsp", "engine", "handoff", "params", "profile", "panel", "desk", "guard", "ports", "daemon",
    "cli",
];

/// The rooms that may do I/O and read a clock.
const OUTWARD: &[&str] = &["ports", "daemon", "cli", "main"];

/// What only those may name, outside tests.
const OUTSIDE_WORLD: &[(&str, &str)] = &[
    ("std::fs", "files belong to ports"),
    ("std::net", "sockets belong to ports"),
    ("std::os", "the system belongs to ports"),
    ("std::process", "processes belong to ports"),
    ("std::env", "the environment belongs to ports"),
    ("std::thread", "threads belong to the daemon"),
    ("std::io::stdin", "terminals belong to the command line"),
    ("std::io::stdout", "terminals belong to the command line"),
    ("std::io::stderr", "terminals belong to the command line"),
    ("std::time::Instant", "time is an argument"),
    ("std::time::SystemTime", "time is an argument"),
    ("Instant::now", "time is an argument"),
    ("SystemTime::now", "time is an argument"),
    ("thread::sleep", "nothing here waits"),
    ("tokio", "runtimes belong to the daemon"),
    ("tracing", "the daemon says what happened"),
];

/// What the table above would catch but only names things.
const NAMES_ONLY: &[&str] = &[
    "std::net::IpAddr",
    "std::net::Ipv4Addr",
    "std::net::Ipv6Addr",
    "std::net::SocketAddr",
    "std::net::SocketAddrV4",
    "std::net::SocketAddrV6",
];

/// Libraries that speak to the outside: only `ports` names them.
const OUTSIDE_LIBRARIES: &[&str] =
    &["cpal", "jack", "midir", "rosc", "serial2_tokio", "hound", "notify", "sd_notify", "rustix", "tar"];

/// Where `unsafe` may stand.
const UNSAFE_PLACES: &[&str] =
    &["src/handoff/", "src/dsp/lanes.rs", "src/ports/jack_server.rs", "src/ports/jack_midi.rs"];

/// What may lie at the top of the repository.
const TOP: &[&str] = &[
    ".cargo",
    ".ci",
    ".gitignore",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE-APACHE",
    "LICENSE-MIT",
    "Makefile",
    "README.md",
    "clippy.toml",
    "configs",
    "rustfmt.toml",
    "src",
    "systemd",
    "tests",
];

/// Forbidden arrows.
fn arrows(source: &Source) -> Vec<String> {
    let mut offences = Vec::new();
    let home = source.module(0);
    // The library's root holds the rooms and nothing else.
    let Some(room) = home.first() else { return offences };
    let Some((_, allowed)) = ROOMS.iter().find(|(name, _)| name == room) else {
        return vec![format!("{}:1: \"{room}\" is no room of the house", source.name)];
    };
    for path in source.paths() {
        let Some(target) = target_room(source, path.offset, &path.segments) else { continue };
        if target == *room || allowed.contains(&&*target) {
            continue;
        }
        let line = source.line(path.offset);
        let path = path.segments.join("::");
        let name = &source.name;
        offences.push(if EVERY_ROOM.contains(&&*target) {
            let allowed = if allowed.is_empty() { "nothing".to_owned() } else { allowed.join(", ") };
            format!("{name}:{line}: {room} may not use {target} ({path}); it may use: {allowed}")
        } else {
            format!("{name}:{line}: {path} names no room; every item has one")
        });
    }
    offences
}

/// The first segment from the root of the crate that a path leads to, if it leads through this crate at all.
fn target_room(source: &Source, offset: usize, segments: &[String]) -> Option<String> {
    match segments[0].as_str() {
        "crate" | "longthrow" => segments.get(1).cloned(),
        "super" => {
            let up = segments.iter().take_while(|segment| *segment == "super").count();
            let mut module = source.module(offset);
            // What stays inside the room is the room's own matter.
            module.truncate(module.len().checked_sub(up)?);
            module.first().or(segments.get(up)).cloned()
        }
        _ => None,
    }
}

/// The outside world where it does not belong.
fn outside_world(source: &Source) -> Vec<String> {
    let room = source.module(0).first().cloned().unwrap_or_default();
    let mut offences = Vec::new();
    for path in source.paths() {
        if source.is_test(path.offset) {
            continue;
        }
        let words = path.segments.join("::");
        let place = format!("{}:{}:", source.name, source.line(path.offset));
        if !OUTWARD.contains(&&*room) && !NAMES_ONLY.iter().any(|fine| leads_to(&words, fine)) {
            let banned = OUTSIDE_WORLD.iter().find(|(banned, _)| leads_to(&words, banned));
            offences.extend(banned.map(|(banned, why)| format!("{place} {banned} in {room}: {why}")));
        }
        if room != "ports" {
            let banned = OUTSIDE_LIBRARIES.iter().find(|banned| path.segments[0] == **banned);
            offences.extend(banned.map(|banned| format!("{place} {banned} in {room}: only ports speaks to it")));
        }
    }
    offences
}

/// Whether a path is `target` or leads below it.
fn leads_to(path: &str, target: &str) -> bool {
    path.strip_prefix(target).is_some_and(|rest| rest.is_empty() || rest.starts_with("::"))
}

/// `unsafe` where it does not belong.
fn unsafe_code(source: &Source) -> Vec<String> {
    if UNSAFE_PLACES.iter().any(|place| source.name.starts_with(place)) {
        return Vec::new();
    }
    let offences = words(&source.code, "unsafe");
    offences.map(|at| format!("{}:{}: unsafe outside {UNSAFE_PLACES:?}", source.name, source.line(at))).collect()
}

fn offences(sources: &[Source]) -> Vec<String> {
    sources.iter().flat_map(|source| [arrows(source), outside_world(source), unsafe_code(source)].concat()).collect()
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn the_plan_of_the_house_holds() {
    let offences = offences(&read_all(root(), "src"));
    assert!(offences.is_empty(), "\n{}", offences.join("\n"));
}

/// Files whose texts for operators stand in `words.rs`. What names an element of a path, or a file, is no sentence.
const WORDLESS: &[&str] = &[
    "src/desk/status.rs",
    "src/cli/assign.rs",
    "src/cli/run.rs",
    "src/cli/status.rs",
    "src/desk/why.rs",
    "src/desk/why/console.rs",
    "src/desk/scenes.rs",
    "src/desk/why/values.rs",
    "src/desk/swap.rs",
    "src/desk/console/hands.rs",
    "src/desk/console/listen.rs",
    "src/desk/console/mod.rs",
    "src/desk/console/rooms.rs",
    "src/desk/console/talkback.rs",
    "src/desk/console/tally.rs",
    "src/desk/console/tone.rs",
    "src/daemon/audible.rs",
    "src/daemon/control.rs",
    "src/daemon/desk_thread.rs",
    "src/daemon/drivers.rs",
    "src/daemon/feeds.rs",
    "src/daemon/files.rs",
    "src/daemon/hub.rs",
    "src/daemon/levels.rs",
    "src/daemon/mod.rs",
    "src/daemon/network.rs",
    "src/daemon/network/request.rs",
    "src/daemon/network/sockets.rs",
    "src/daemon/nodes.rs",
    "src/daemon/past.rs",
    "src/daemon/player.rs",
    "src/daemon/record.rs",
    "src/daemon/run.rs",
    "src/daemon/satellite.rs",
    "src/daemon/satellite/child.rs",
    "src/daemon/satellite/wire.rs",
    "src/daemon/state.rs",
    "src/daemon/talk.rs",
    "src/daemon/teach.rs",
];

const ELEMENTS: &[&str] =
    &["held closed", "gain group {}", "control port {}", "control port {port}", "starts.json", "mix.json"];

/// Literals of a file, outside comments and tests, that hold two words side by side.
fn sentences(text: &str) -> Vec<(usize, String)> {
    let code = text.split("#[cfg(test)]").next().unwrap_or_default();
    let lines = code.lines().enumerate().filter(|(_, line)| !line.trim_start().starts_with("//"));
    // Why a lint is switched off is for whoever reads the source.
    let lines = lines.map(|(number, line)| (number, line.split("reason = \"").next().unwrap_or_default()));
    let literals = lines.flat_map(|(number, line)| {
        let line = line.replace("\\\"", "'");
        let inside: Vec<String> = line.split('"').skip(1).step_by(2).map(str::to_owned).collect();
        inside.into_iter().map(move |literal| (number + 1, literal))
    });
    let word = |word: &str| word.len() > 1 && word.bytes().all(|byte| byte.is_ascii_alphabetic());
    let is_sentence = |literal: &str| {
        let words: Vec<&str> = literal.split([' ', ',', ':', '.']).collect();
        !ELEMENTS.contains(&literal) && words.windows(2).any(|pair| word(pair[0]) && word(pair[1]))
    };
    literals.filter(|(_, literal)| is_sentence(literal)).collect()
}

#[test]
fn texts_of_the_first_screen_stand_in_the_table_of_words() {
    let planted = "// \"not in a comment\"\nlet a = format!(\"device {x} is gone\");\nlet b = \"/meter/bus/{bus}\";\n";
    assert_eq!(sentences(planted), [(2, "device {x} is gone".to_owned())]);
    let found: Vec<String> = WORDLESS
        .iter()
        .flat_map(|name| {
            let text = std::fs::read_to_string(root().join(name)).expect("there");
            sentences(&text).into_iter().map(move |(line, literal)| format!("{name}:{line}: {literal:?}"))
        })
        .collect();
    assert!(found.is_empty(), "these belong into src/words.rs:\n{}", found.join("\n"));
}

#[test]
fn planted_offences_are_named_with_file_and_line() {
    let planted = read_all(&root().join("tests/fixtures/architecture"), "src");
    assert_named(&planted, &offences(&planted));
}

#[test]
fn the_top_of_the_repository_holds_only_what_belongs_there() {
    // Without git (an unpacked archive) the folder itself is asked, less what builds leave behind.
    let listed = Command::new("git").current_dir(root()).args(["ls-files", "--cached"]).output();
    let entries: Vec<String> = match listed {
        Ok(listed) if listed.status.success() && !listed.stdout.is_empty() => {
            let files = String::from_utf8(listed.stdout).expect("names in UTF-8");
            files.lines().map(|file| file.split('/').next().expect("a name").to_owned()).collect()
        }
        _ => {
            let entries = std::fs::read_dir(root()).expect("the repository is readable");
            let names = entries.map(|entry| entry.expect("an entry").file_name().into_string().expect("UTF-8"));
            names.filter(|name| name != "target" && name != ".git").collect()
        }
    };
    assert!(entries.iter().any(|entry| entry == "src"), "this is not the repository: {entries:?}");
    let strangers: Vec<_> = entries.iter().filter(|entry| !TOP.contains(&entry.as_str())).collect();
    assert!(strangers.is_empty(), "these do not belong at the top of the repository: {strangers:?}");
}
