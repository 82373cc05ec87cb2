//! The three files of an installation: text in, checked model and diagnostics out. No I/O.
//!
//! [`check`] is the one way in, used alike by the command of that name, at start-up and at every reload. It
//! reads all texts whatever is wrong with them, and reports every mistake at once:
//!
//! ```text
//! text --text.rs--> tree with places --(rig: layers.rs)--> rig.rs, panel.rs, show.rs --> model
//!                                                              \--> log.rs --> diagnostics
//! ```
//!
//! Each file begins with `form = 1` and `kind = "rig"`, `"panel"` or `"profile"`. Places of values live in
//! the trees only; the model does not know them, so moving a comment changes nothing.

mod cursor;
mod diagnostic;
pub mod edit;
mod graph;
mod layers;
mod log;
mod model;
mod outside;
mod panel;
mod rig;
mod rooms;
mod scenes;
mod show;
mod talkback;
mod text;

pub use diagnostic::{CODES, Code, Diagnostic, Label, Severity, count};
pub use graph::{GRAPH_LEVELS, OWNERS_MAX, Tangle, highest_levels};
pub use model::*;
pub use scenes::{FADE_S, FADE_S_DEFAULT};
pub use show::SHARING_GROUPS_MAX;

use cursor::Table;
use log::{Log, Place};
pub use text::FILE_BYTES_MAX;
use text::{Node, Raw, Tree};

/// Names of environment variables that are settings of the rig begin so.
pub const ENVIRONMENT_PREFIX: &str = "LONGTHROW_";

/// A file's text and the name that diagnostics give it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    /// The path as the user wrote it.
    pub name: String,
    /// What is in it.
    pub text: String,
}

impl Source {
    /// A source out of the bytes of a file.
    ///
    /// # Errors
    /// The bytes are not UTF-8; the diagnostic says from which byte on.
    pub fn from_bytes(name: &str, bytes: Vec<u8>) -> Result<Self, Box<Diagnostic>> {
        String::from_utf8(bytes).map(|text| Self { name: name.to_owned(), text }).map_err(|error| {
            let at = error.utf8_error().valid_up_to();
            let text = String::from_utf8_lossy(error.as_bytes()).into_owned();
            let found = error.as_bytes()[at];
            let mut log = Log::default();
            let index = log.take(name, &text, None);
            let place = Place { text: index, start: at, end: at + 1 };
            let label = format!("byte {found:#04x}; accepted: UTF-8");
            log.syntax(Code::F01, place, "the file is no text", label, true)
                .help("save it as UTF-8, or check the path");
            Box::new(log.finish().swap_remove(0))
        })
    }
}

/// Everything that describes an installation, unread. What is absent is not checked, nor checked against.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Texts {
    /// The files of the rig, later ones over earlier ones; none means no rig.
    pub rig: Vec<Source>,
    /// Environment variables over the files; those without [`ENVIRONMENT_PREFIX`] are passed over.
    /// `LONGTHROW_NETWORK__LISTEN`: two underscores step into a table, one stands for itself or a hyphen.
    pub environment: Vec<(String, String)>,
    /// Settings over all else: a path with dots as in the file, and the value as in the file or as plain text.
    pub flags: Vec<(String, String)>,
    /// The panel.
    pub panel: Option<Source>,
    /// The profile.
    pub profile: Option<Source>,
}

/// What was checked and is sound. A part is absent when its text was.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Checked {
    /// The rig.
    pub rig: Option<Rig>,
    /// The panel.
    pub panel: Option<Panel>,
    /// The profile.
    pub profile: Option<Profile>,
}

/// A complete installation.
#[derive(Clone, Debug, PartialEq)]
pub struct Installation {
    /// The room's wiring.
    pub rig: Rig,
    /// The controls; none where there is no panel.
    pub panel: Panel,
    /// The show.
    pub profile: Profile,
}

impl Checked {
    /// The installation, when rig and profile are there.
    #[must_use]
    pub fn into_installation(self) -> Option<Installation> {
        Some(Installation { rig: self.rig?, panel: self.panel.unwrap_or_default(), profile: self.profile? })
    }
}

/// Which of the three a file is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum FileKind {
    /// The room's wiring.
    Rig,
    /// The controls.
    Panel,
    /// One show.
    Profile,
}

impl FileKind {
    /// What a text says it is, or, when it does not say, what it looks like.
    #[must_use]
    pub fn of(text: &str) -> Option<Self> {
        let mut log = Log::default();
        let index = log.take("", text, None);
        let tree = text::parse(index, &mut log);
        let said = match tree.get("kind").map(|node| &node.value) {
            Some(Raw::Text(kind)) => match kind.as_str() {
                "rig" => Some(Self::Rig),
                "panel" => Some(Self::Panel),
                "profile" => Some(Self::Profile),
                _ => None,
            },
            _ => None,
        };
        let has = |keys: &[&str]| keys.iter().any(|key| tree.contains_key(*key));
        said.or_else(|| {
            if has(&["channel", "bus", "moves", "name"]) {
                Some(Self::Profile)
            } else if has(&["control"]) {
                Some(Self::Panel)
            } else {
                has(&rig::TOP_KEYS[..rig::TOP_KEYS.len() - 1]).then_some(Self::Rig)
            }
        })
    }
}

/// Reads and checks all texts, each alone and against the others.
///
/// The result is absent when there is any error; there may be warnings beside it. Diagnostics come text by
/// text in the order of their lines, at most 200 of each text and the count of the rest.
#[must_use]
pub fn check(texts: &Texts) -> (Option<Checked>, Vec<Diagnostic>) {
    let mut log = Log::default();
    let rig = (!texts.rig.is_empty()).then(|| read_layers(texts, &mut log));
    let rig_names = rig.as_ref().filter(|(_, _, whole)| *whole).map(|(_, names, _)| names);
    let panel = texts.panel.as_ref().map(|source| {
        let index = log.take(&source.name, &source.text, None);
        let tree = text::parse(index, &mut log);
        let (panel, kinds) = panel::read(&tree, index, rig_names, &mut log);
        (panel, kinds, log.whole(index))
    });
    let control_kinds = panel.as_ref().filter(|(_, _, whole)| *whole).map(|(_, kinds, _)| kinds);
    let profile = texts.profile.as_ref().map(|source| {
        let index = log.take(&source.name, &source.text, None);
        let tree = text::parse(index, &mut log);
        show::read(&tree, index, rig_names, control_kinds, &mut log)
    });
    let checked = (!log.refused()).then(|| Checked {
        rig: rig.map(|(rig, ..)| rig),
        panel: panel.map(|(panel, ..)| panel),
        profile,
    });
    (checked, log.finish())
}

/// Reads a rig alone; its files in order, without environment and flags.
#[must_use]
pub fn read_rig(files: Vec<Source>) -> (Option<Rig>, Vec<Diagnostic>) {
    let (checked, diagnostics) = check(&Texts { rig: files, ..Texts::default() });
    (checked.and_then(|checked| checked.rig), diagnostics)
}

/// Reads a panel alone, without knowing the rig.
#[must_use]
pub fn read_panel(file: Source) -> (Option<Panel>, Vec<Diagnostic>) {
    let (checked, diagnostics) = check(&Texts { panel: Some(file), ..Texts::default() });
    (checked.and_then(|checked| checked.panel), diagnostics)
}

/// Reads a profile alone, without knowing rig and panel.
#[must_use]
pub fn read_profile(file: Source) -> (Option<Profile>, Vec<Diagnostic>) {
    let (checked, diagnostics) = check(&Texts { profile: Some(file), ..Texts::default() });
    (checked.and_then(|checked| checked.profile), diagnostics)
}

/// The installation that runs when there is none: no hardware, generated sources, a panel of plain OSC.
#[must_use]
pub fn demo() -> Texts {
    let source = |name: &str, text: &str| Source { name: format!("built-in {name}"), text: text.to_owned() };
    Texts {
        rig: vec![source("rig", include_str!("../../configs/demo/rig.toml"))],
        panel: Some(source("panel", include_str!("../../configs/demo/panel.toml"))),
        profile: Some(source("profile", include_str!("../../configs/demo/profile.toml"))),
        ..Texts::default()
    }
}

/// The rig out of all its layers, its names, and whether all of it could be read.
fn read_layers(texts: &Texts, log: &mut Log) -> (Rig, rig::RigNames, bool) {
    let defaults = log.take("built-in", rig::DEFAULTS, Some("the built-in defaults".to_owned()));
    let mut trees = vec![text::parse(defaults, log)];
    let (mut whole, mut last) = (true, defaults);
    for (number, file) in texts.rig.iter().enumerate() {
        let layer = (texts.rig.len() > 1).then(|| format!("rig file {} of {}", number + 1, texts.rig.len()));
        last = log.take(&file.name, &file.text, layer);
        let tree = text::parse(last, log);
        cursor::head(&mut Table::root(&tree, last, "the rig"), "rig", log);
        whole &= log.whole(last);
        trees.push(tree);
    }
    let environment: Vec<Setting> =
        texts.environment.iter().filter_map(|(name, value)| Setting::from_variable(name, value, &trees)).collect();
    trees.push(settings("environment", "the environment", &environment, log));
    let flags: Vec<Setting> = texts.flags.iter().map(|(path, value)| Setting::from_flag(path, value)).collect();
    trees.push(settings("flags", "the flags", &flags, log));
    let (rig, names) = rig::read(&layers::merge(&trees), last, log);
    (rig, names, whole)
}

/// A setting that does not come from a file.
struct Setting {
    written: String,
    path: Vec<String>,
    value: String,
}

impl Setting {
    fn from_flag(path: &str, value: &str) -> Self {
        let words = path.split('.').map(str::to_owned).collect();
        Self { written: path.to_owned(), path: words, value: value.to_owned() }
    }

    /// `LONGTHROW_DEVICE__STAGE_BOX__PERIOD_FRAMES`: an underscore in a name stands for the hyphen where the name
    /// is an id; a key that a lower layer has is meant before all else.
    fn from_variable(name: &str, value: &str, lower: &[Tree]) -> Option<Self> {
        let rest = name.strip_prefix(ENVIRONMENT_PREFIX)?.to_ascii_lowercase();
        let mut tables: Vec<&Tree> = lower.iter().collect();
        let mut path: Vec<String> = Vec::new();
        for word in rest.split("__") {
            let same = |key: &str| key.replace('-', "_") == word;
            let existing = tables.iter().flat_map(|tree| tree.keys()).find(|key| same(key));
            let key = match (existing, path.len()) {
                (Some(key), _) => key.clone(),
                (None, 0) => rig::TOP_KEYS.iter().find(|key| same(key)).map_or(word, |key| *key).to_owned(),
                (None, 1) if path[0] != "network" && path[0] != "storage" => word.replace('_', "-"),
                _ => word.to_owned(),
            };
            tables = tables
                .into_iter()
                .filter_map(|tree| match tree.get(&key).map(|node| &node.value) {
                    Some(Raw::Table(inner)) => Some(inner),
                    _ => None,
                })
                .collect();
            path.push(key);
        }
        Some(Self { written: name.to_owned(), path, value: value.to_owned() })
    }
}

/// A layer out of settings, one to a line of a text that diagnostics can show.
fn settings(name: &str, layer: &str, settings: &[Setting], log: &mut Log) -> Tree {
    let line = |setting: &Setting| format!("{}={}\n", setting.written, setting.value);
    let text: String = settings.iter().map(line).collect();
    let index = log.take(name, &text, Some(layer.to_owned()));
    let mut tree = Tree::new();
    let mut start = 0;
    for setting in settings {
        let key_at = Place { text: index, start, end: start + setting.written.len() };
        let at = Place { text: index, start: key_at.end + 1, end: key_at.end + 1 + setting.value.len() };
        start = at.end + 1;
        let mut node = Node { key_at, at, value: text::parse_value(index, &setting.value, at.start) };
        for key in setting.path.iter().skip(1).rev() {
            node = Node { key_at, at: key_at, value: Raw::Table(Tree::from([(key.clone(), node)])) };
        }
        if let Some(first) = setting.path.first() {
            put(&mut tree, first.clone(), node);
        }
    }
    tree
}

/// Adds a node to a tree; of two values for one key the later holds, two tables become one.
fn put(tree: &mut Tree, key: String, node: Node) {
    match (tree.get_mut(&key).map(|earlier| &mut earlier.value), node.value) {
        (Some(Raw::Table(earlier)), Raw::Table(inner)) => {
            for (key, node) in inner {
                put(earlier, key, node);
            }
        }
        (_, value) => {
            tree.insert(key, Node { value, ..node });
        }
    }
}
