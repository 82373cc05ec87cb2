//! Scenes: kept parts of a mix, each with its fade, and the buttons that recall and keep them.
//!
//! ```toml
//! [scene.opening]
//! scope = ["levels", "routes"]      # what it is about; also places, switches, sound
//! channels = ["reader", "room"]     # of which channels; without the line of all, and of the buses
//! protect = ["host"]                # what it never touches
//! fade_s = 4.0
//! [scene.opening.channel.reader]    # what is not written here stays as it is
//! fader = -6.0
//!
//! [moves]
//! b1 = "scene.opening"                                  # pressed: recalled
//! b2 = { target = "scene.opening", keep_after_s = 2.0 }  # held so long: the mix is kept in it
//! ```

use super::cursor::{self, Table, number, unknown_name};
use super::diagnostic::Code;
use super::log::Log;
use super::model::{ControlKind, Id};
use super::rig::RigNames;
use super::show;
use super::text::{Node, Raw};
use crate::params::{Address, Domain, Key, Nature, Parameter, Scope, Taper, Unit, Value};
use std::collections::BTreeMap;

/// Scenes of one profile.
pub(super) const SCENES_MAX: usize = 64;
const CHANNELS_MAX: usize = 256;
/// The time a fade may take, in s; shorter ones would be steps.
pub const FADE_S: (f32, f32) = (0.2, 60.0);
/// The fade of a scene that does not say.
pub const FADE_S_DEFAULT: f32 = 2.0;
/// How long a button may have to be held until it keeps, in s.
const KEEP_AFTER_S: (f32, f32) = (1.0, 10.0);

/// What a scene can be about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// Faders and the levels of sends.
    Levels,
    /// Pan and balance.
    Places,
    /// The switches of channels.
    Switches,
    /// Which of its sources a channel carries, and to which bus it goes.
    Routes,
    /// Everything else that makes the sound: trim, stages, processing of buses.
    Sound,
}

impl Part {
    /// The words that files and commands use.
    pub const WORDS: [(&str, Self); 5] = [
        ("levels", Self::Levels),
        ("places", Self::Places),
        ("switches", Self::Switches),
        ("routes", Self::Routes),
        ("sound", Self::Sound),
    ];
    /// What a scene is about that does not say.
    pub const USUAL: [Self; 4] = [Self::Levels, Self::Places, Self::Switches, Self::Routes];

    /// The part of a mix that a parameter belongs to; none for what no scene holds: sources and outputs, which are the
    /// room's.
    #[must_use]
    pub fn of(row: &Parameter) -> Option<Self> {
        if !matches!(row.scope, Scope::Channel | Scope::Bus)
            || row.default.is_empty()
            || row.key == Key::ChannelSourceB
            || row.key.nature() != Nature::Kept
        {
            return None;
        }
        Some(match (row.domain, row.taper) {
            _ if row.key == Key::ChannelSwitch => Self::Switches,
            _ if row.key == Key::ChannelSourceSelect => Self::Routes,
            (Domain::Number { .. }, Taper::Fader) => Self::Levels,
            (Domain::Number { unit: Unit::Position, .. }, _) => Self::Places,
            (Domain::Words(_), _) if row.further.is_some() => Self::Routes,
            _ => Self::Sound,
        })
    }

    /// Its word.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::WORDS[self as usize].0
    }
}

/// A kept part of a mix.
#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    /// Its id.
    pub id: Id,
    /// What it is about.
    pub scope: Vec<Part>,
    /// Of which channels; without it of all, and of the buses.
    pub channels: Option<Vec<Id>>,
    /// Channels that it never touches.
    pub protect: Vec<Id>,
    /// How long a recall takes, s.
    pub fade_s: f32,
    /// What it sets.
    pub values: BTreeMap<Address, Value>,
}

impl Scene {
    /// A scene with nothing in it yet.
    #[must_use]
    pub fn new(id: Id) -> Self {
        let (scope, protect) = (Part::USUAL.to_vec(), Vec::new());
        Self { id, scope, channels: None, protect, fade_s: FADE_S_DEFAULT, values: BTreeMap::new() }
    }

    /// Whether it is about this parameter.
    #[must_use]
    pub fn touches(&self, address: &Address) -> bool {
        let row = address.key.parameter();
        let named = |ids: &[Id]| ids.iter().any(|id| **id == *address.id);
        let of_thing = match row.scope {
            Scope::Channel => self.channels.as_deref().is_none_or(named) && !named(&self.protect),
            _ => self.channels.is_none(),
        };
        of_thing && Part::of(row).is_some_and(|part| self.scope.contains(&part))
    }
}

/// A button or lamp of a scene.
#[derive(Clone, Debug, PartialEq)]
pub struct SceneButton {
    /// The control's id in the panel.
    pub control: Id,
    /// The scene.
    pub scene: Id,
    /// Held for so many seconds it keeps the mix in the scene; otherwise it only recalls.
    pub keep_after_s: Option<f32>,
}

/// What a profile has, for whatever names it.
pub(super) struct Known<'k> {
    pub(super) rig: Option<&'k RigNames>,
    pub(super) channel_ids: &'k [&'k str],
    pub(super) bus_ids: &'k [&'k str],
}

/// Reads every scene.
pub(super) fn read(top: &mut Table<'_>, known: &Known<'_>, log: &mut Log) -> Vec<Scene> {
    let things = top.things("scene", SCENES_MAX, log);
    let mut scenes = Vec::new();
    for thing in things {
        let mut table = thing.table;
        let mut scene = Scene::new(thing.id.into());
        if let Some(node) = table.get("scope") {
            let words = cursor::entries(node, "scope", Part::WORDS.len(), log).unwrap_or_default();
            scene.scope = words.iter().filter_map(|node| cursor::word(node, "scope", &Part::WORDS, log)).collect();
        }
        scene.channels = table.get("channels").map(|node| channels(node, "channels", known, log));
        scene.protect = table.get("protect").map_or_else(Vec::new, |node| channels(node, "protect", known, log));
        if let Some(node) = table.get("fade_s") {
            scene.fade_s = number(node, "fade_s", FADE_S.0, FADE_S.1, log).unwrap_or(FADE_S_DEFAULT);
        }
        for (key, scope, ids, code, what) in [
            ("channel", Scope::Channel, known.channel_ids, Code::K01, "channel"),
            ("bus", Scope::Bus, known.bus_ids, Code::S03, "bus"),
        ] {
            for mut inner in table.things(key, CHANNELS_MAX, log) {
                if !ids.contains(&inner.id) {
                    let headline = format!("the profile has no {what} \"{}\"", inner.id);
                    unknown_name(code, inner.at, headline, inner.id, ids.iter().copied(), log);
                }
                let values = show::scene_values(inner.id, scope, &mut inner.table, known, log);
                inner.table.finish(log);
                if let Some(idle) = values.keys().find(|address| !scene.touches(address)) {
                    let label = format!("{idle}, which the scene leaves alone");
                    log.warning(Code::S11, inner.at, "a value of a scene has no effect", label)
                        .help("remove it, or change what the scene says under scope, channels or protect");
                }
                scene.values.extend(values);
            }
        }
        table.finish(log);
        scenes.push(scene);
    }
    scenes
}

fn channels(node: &Node, key: &str, known: &Known<'_>, log: &mut Log) -> Vec<Id> {
    let mut ids = Vec::new();
    for node in cursor::entries(node, key, CHANNELS_MAX, log).unwrap_or_default() {
        let Some(id) = cursor::text(node, key, log) else { continue };
        if !known.channel_ids.contains(&&*id) {
            let headline = format!("the profile has no channel \"{id}\"");
            unknown_name(Code::K01, node.at, headline, &id, known.channel_ids.iter().copied(), log);
        }
        ids.push(Id::from(id));
    }
    ids
}

/// Whether what a move says is about a scene.
pub(super) fn is_of_scene(node: &Node) -> bool {
    let of_scene = |node: &Node| matches!(&node.value, Raw::Text(text) if text.starts_with("scene."));
    match &node.value {
        Raw::Table(table) => table.get("target").is_some_and(of_scene),
        _ => of_scene(node),
    }
}

/// Reads a move whose target is a scene.
pub(super) fn read_button(
    control: &str,
    node: &Node,
    kind: Option<ControlKind>,
    scenes: &[Scene],
    log: &mut Log,
) -> Option<SceneButton> {
    let (target, keep_after_s) = if let Raw::Table(_) = node.value {
        let mut table = Table::of(node, format!("the move of \"{control}\""), log)?;
        let target = table.get("target");
        let keep = table.get("keep_after_s");
        if let Some(node) = keep.filter(|_| kind == Some(ControlKind::Lamp)) {
            log.error(Code::S08, node.key_at, "\"keep_after_s\" means nothing for this move", "accepted for a button")
                .help("remove it");
        }
        let keep = keep.map(|node| number(node, "keep_after_s", KEEP_AFTER_S.0, KEEP_AFTER_S.1, log));
        table.finish(log);
        (target?, keep)
    } else {
        (node, None)
    };
    let written = cursor::text(target, "target", log)?;
    let scene = written.strip_prefix("scene.")?;
    if !scenes.iter().any(|known| &*known.id == scene) {
        let headline = format!("the profile has no scene \"{scene}\"");
        unknown_name(Code::K02, target.at, headline, scene, scenes.iter().map(|scene| &*scene.id), log);
    }
    if !kind.is_none_or(|kind| matches!(kind, ControlKind::Momentary | ControlKind::Hold | ControlKind::Lamp)) {
        let label = format!("{}; accepted: a momentary or hold button, or a lamp", log.found(target.at));
        log.error(Code::S08, target.at, "this control cannot recall a scene", label)
            .help("a scene is recalled by a press; the lamp shows which one was");
    }
    Some(SceneButton { control: control.into(), scene: scene.into(), keep_after_s: keep_after_s.flatten() })
}
