//! Recalling a kept part of a mix: a scene, the mix of another time, what was before the last recall.
//!
//! ```text
//! values wanted --plan--> glides (numbers)      put at every step of the raster until they arrive
//!                         words                 put at once, on channels that nobody hears
//!                         behind (words)        put when their channel is off: before it comes up, or faded out
//!                         kept                  not done, and why
//! ```
//!
//! Nothing is opened and nothing jumps, whoever asks: a microphone that is closed stays closed, also for a pressed
//! button; a channel on air keeps its words (switch, routes), or fades out before they change; a channel that comes on
//! air comes up from [`FLOOR_DB`] behind a closed gate. A hand on a control stops the glide of what it moves.

use super::{By, Desk, Effects, Feedback, Refusal, hands};
use crate::dsp::level::linear;
use crate::dsp::math::{exp2, log2};
use crate::engine::{Bank, Target};
use crate::panel::{Action, ControlIndex, Gesture, PortIndex};
use crate::params::{Address, Domain, Key, Scope, Taper, Value, is_id, nearest};
use crate::profile::{ControlKind, FADE_S, Id, Message, Part, Scene, SceneButton};
use crate::units::{Decibels, Frames, Travel};
use crate::words::scenes as words;
use std::collections::{BTreeMap, BTreeSet};

/// What glides moves on every so many ms; the engine's own glide makes a line of the steps.
const RASTER_MS: u32 = 10;
/// Where a fader comes from that is off, and where it goes before it is off, in dB.
const FLOOR_DB: f32 = -60.0;
/// How long a level behind a closed gate has to get where it is to start: ten of its time constants.
const SETTLE_MS: u32 = 100;
/// A control that moved so far from where it stood, in travel, was moved by a hand; less is its noise.
const HAND: f32 = 0.02;
/// Recalls that can be taken back.
const BACK_MAX: usize = 16;
/// How long the lamp of a button is dark when it has kept.
const KEPT_DARK_MS: u32 = 400;
/// Scenes of one profile, as the profile's reader takes them.
const SCENES_MAX: usize = 64;

/// What is recalled.
#[derive(Clone, Debug, PartialEq)]
pub enum Recall {
    /// A scene of the profile in force.
    Scene(Id),
    /// These values, of channels and buses.
    Mix {
        /// Which, and the values.
        values: Vec<(Address, Value)>,
        /// How long it takes, s.
        fade_s: f32,
    },
    /// What the last recall changed, as it was before.
    Back,
}

/// What a recall does to a value.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// Which.
    pub address: Address,
    /// The value it has.
    pub now: Value,
    /// The value that is recalled.
    pub then: Value,
    /// Why it keeps the one it has; nothing when it changes.
    pub kept: Option<&'static str>,
}

/// A scene that is to be kept; what is not said is as the scene says already, or usual.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SceneToKeep {
    /// Its id.
    pub id: String,
    /// What it is about.
    pub scope: Option<Vec<Part>>,
    /// Of which channels.
    pub channels: Option<Vec<String>>,
    /// Channels that it never touches.
    pub protect: Option<Vec<String>>,
    /// How long a recall takes, s.
    pub fade_s: Option<f32>,
}

/// A value on its way.
#[derive(Clone, Debug)]
struct Glide {
    from: f32,
    to: Value,
    begins: Frames,
    ends: Frames,
    /// What was put last; when it is not there any more, somebody else has the value.
    last: Value,
}

/// What changes at once in a channel that is off: before it comes up, or when it has faded out.
#[derive(Clone, Debug)]
struct Behind {
    words: Vec<(Address, Value)>,
    /// Where the fader of one that has faded out stands afterwards.
    fader: Option<Value>,
    /// When; nothing until it is off.
    at: Option<Frames>,
}

/// What is on its way, and what can be taken back.
#[derive(Debug, Default)]
pub(super) struct Fades {
    glides: BTreeMap<Address, Glide>,
    behind: BTreeMap<Id, Behind>,
    /// The next step of the raster.
    next: Frames,
    /// Where controls stood when what they move began to glide.
    stood: BTreeMap<ControlIndex, Travel>,
    /// Before each recall: what it changed, and its time.
    back: Vec<(Vec<(Address, Value)>, f32)>,
    /// The scene that was recalled or kept last.
    current: Option<Id>,
    /// Buttons that are down and keep when they have been for so long.
    pressed: BTreeMap<ControlIndex, Frames>,
    /// Until when what a control says is a report.
    report_until: BTreeMap<ControlIndex, Frames>,
    /// The message being taken in says that something was pressed, and nothing will say that it was let go.
    pub(super) impulse: bool,
    /// Until when the lamp of the current scene is dark.
    dark_until: Option<Frames>,
}

impl Fades {
    pub(super) fn next_deadline(&self) -> Option<Frames> {
        let step = (!self.glides.is_empty()).then_some(self.next);
        let behind = self.behind.values().filter_map(|behind| behind.at);
        step.into_iter().chain(behind).chain(self.pressed.values().copied()).chain(self.dark_until).min()
    }

    /// Everything stays where it stands.
    pub(super) fn stop(&mut self) {
        self.glides.clear();
        self.behind.clear();
        self.stood.clear();
    }
}

/// What a recall comes to.
#[derive(Debug, Default)]
struct Plan {
    glides: Vec<(Address, Value)>,
    words: Vec<(Address, Value)>,
    /// What comes up from its floor.
    risers: Vec<(Address, Value)>,
    behind: Vec<(Id, Behind)>,
    kept: Vec<(Address, Value, &'static str)>,
}

impl Desk {
    /// What a recall would do, one entry for each value that it is about and that is another one now.
    ///
    /// # Errors
    /// It is not known, in words.
    pub fn recall_changes(&mut self, recall: &Recall) -> Result<Vec<Change>, String> {
        let (values, _) = self.recalled(recall)?;
        let plan = self.plan_recall(&values);
        let kept = plan.kept.into_iter().map(|(address, then, why)| (address, then, Some(why)));
        let behind = plan.behind.into_iter().flat_map(|(id, behind)| {
            let fader = behind.fader.map(|value| (Address::new(Key::ChannelFader, &id), value));
            behind.words.into_iter().chain(fader)
        });
        let moved = plan.glides.into_iter().chain(plan.words).chain(plan.risers).chain(behind);
        let all = moved.map(|(address, then)| (address, then, None)).chain(kept);
        let mut changes: Vec<Change> = all
            .filter_map(|(address, then, kept)| {
                let now = self.value(&address)?;
                (now != then).then_some(Change { address, now, then, kept })
            })
            .collect();
        changes.sort_by(|one, other| one.address.cmp(&other.address));
        changes.dedup_by(|one, other| one.address == other.address);
        Ok(changes)
    }

    /// The scene as it is to be written into the profile: its values are those of the mix. The switch of a microphone is
    /// none of them.
    ///
    /// # Errors
    /// Something is not known or not accepted, in words.
    pub fn scene_to_keep(&self, ask: &SceneToKeep) -> Result<Scene, String> {
        let scenes = &self.installation.profile.scenes;
        let mut scene = match self.installation.profile.scene(&ask.id) {
            Some(scene) => scene.clone(),
            None if !is_id(&ask.id) => {
                return Err(words::no_id(&ask.id));
            }
            None if scenes.len() >= SCENES_MAX => return Err(words::too_many(SCENES_MAX)),
            None => Scene::new(ask.id.as_str().into()),
        };
        let ids = |ids: &[String]| -> Result<Vec<Id>, String> {
            let known = |id: &String| self.known(Scope::Channel, id).map(|()| Id::from(id.as_str()));
            ids.iter().map(known).collect()
        };
        if let Some(scope) = &ask.scope {
            scene.scope.clone_from(scope);
        }
        if let Some(channels) = &ask.channels {
            scene.channels = Some(ids(channels)?);
        }
        if let Some(protect) = &ask.protect {
            scene.protect = ids(protect)?;
        }
        if let Some(fade_s) = ask.fade_s {
            scene.fade_s = fade_s;
        }
        if !(FADE_S.0..=FADE_S.1).contains(&scene.fade_s) {
            return Err(words::fade(FADE_S.0, FADE_S.1));
        }
        // Sends that are off are in no mix; those that are on elsewhere are kept as off.
        let known =
            scene.values.keys().chain(self.installation.profile.values.keys()).filter(|at| at.key.is_of_a_send());
        let sends = known.filter_map(|address| Some((address.clone(), self.value(address)?)));
        let mut kept: BTreeMap<Address, Value> = sends.collect();
        kept.extend(self.mix_to_keep());
        kept.retain(|address, _| scene.touches(address));
        scene.values = kept;
        if scene.values.is_empty() {
            return Err(words::empty(&scene.id));
        }
        Ok(scene)
    }

    /// The scenes of the profile in force.
    pub fn scenes(&self) -> impl Iterator<Item = &Scene> {
        self.installation.profile.scenes.iter()
    }

    /// The scene that was recalled or kept last.
    #[must_use]
    pub const fn current_scene(&self) -> Option<&Id> {
        self.fades.current.as_ref()
    }

    /// Whether something is on its way.
    #[must_use]
    pub fn fading(&self) -> bool {
        !self.fades.glides.is_empty() || !self.fades.behind.is_empty()
    }

    // ---- recalling ----

    pub(super) fn recall(&mut self, recall: &Recall, by: By, effects: &mut Effects) {
        let (values, fade_s) = match self.recalled(recall) {
            Ok(recalled) => recalled,
            Err(why) => {
                let what = match recall {
                    Recall::Scene(id) => format!("/scene/{id}/recall"),
                    Recall::Mix { .. } => "/scene".to_owned(),
                    Recall::Back => "/scene/back".to_owned(),
                };
                return effects.refused.push(Refusal { what, why });
            }
        };
        let (values, refused): (Vec<_>, Vec<_>) =
            values.into_iter().partition(|(address, value)| self.console_refuses(address, value, by).is_none());
        let mut plan = self.plan_recall(&values);
        let refused = refused.into_iter().filter(|(address, value)| self.value(address).as_ref() != Some(value));
        plan.kept.extend(refused.map(|(address, value)| (address, value, words::REFUSED)));
        self.note_recall(recall, fade_s, &plan, effects);
        if *recall == Recall::Back {
            self.fades.back.pop();
        } else {
            self.remember(&plan, fade_s);
        }
        let scene = if let Recall::Scene(id) = recall { Some(id.clone()) } else { None };
        self.show_scene(scene, effects);
        self.begin(plan, fade_s, effects);
    }

    fn recalled(&self, recall: &Recall) -> Result<(Vec<(Address, Value)>, f32), String> {
        match recall {
            Recall::Scene(id) => {
                let scene = self.installation.profile.scene(id).ok_or_else(|| {
                    let ids = self.scenes().map(|scene| &*scene.id);
                    words::no_scene(id, nearest(id, ids))
                })?;
                let values = scene.values.iter().filter(|(address, _)| scene.touches(address));
                Ok((values.map(|(address, value)| (address.clone(), value.clone())).collect(), scene.fade_s))
            }
            Recall::Mix { values, fade_s } => {
                let part = |address: &Address| Part::of(address.key.parameter()).is_some();
                let values = values.iter().filter(|(address, _)| part(address)).cloned().collect();
                Ok((values, fade_s.clamp(FADE_S.0, FADE_S.1)))
            }
            Recall::Back => self.fades.back.last().cloned().ok_or_else(|| words::NOTHING_RECALLED.to_owned()),
        }
    }

    /// Sorts what is wanted and differs by how it is done.
    fn plan_recall(&mut self, values: &[(Address, Value)]) -> Plan {
        let mut plan = Plan::default();
        let mut of_channels: BTreeMap<Id, BTreeMap<Address, Value>> = BTreeMap::new();
        for (address, value) in values {
            let Ok(value) = self.acceptable(address, value) else { continue };
            // What glides elsewhere is to stop here, even where it is just passing.
            if self.value(address).as_ref() == Some(&value) && !self.fades.glides.contains_key(address) {
                continue;
            }
            match address.key.parameter().scope {
                Scope::Channel => {
                    of_channels.entry(address.id.as_ref().into()).or_default().insert(address.clone(), value);
                }
                // Nobody knows that a bus is not heard.
                _ if self.changes_at_once(address, &value) => {
                    plan.kept.push((address.clone(), value, words::BUS_HEARD))
                }
                _ if self.value(address) == Some(Value::Off) => plan.risers.push((address.clone(), value)),
                _ => plan.glides.push((address.clone(), value)),
            }
        }
        for (id, wanted) in of_channels {
            self.plan_channel(&id, wanted, &mut plan);
        }
        plan
    }

    fn plan_channel(&mut self, id: &Id, mut wanted: BTreeMap<Address, Value>, plan: &mut Plan) {
        let fader = Address::new(Key::ChannelFader, id);
        let select = Address::new(Key::ChannelSourceSelect, id);
        if let Some(value) = wanted.get(&select).cloned()
            && self.selects_another_microphone(&select, &value)
            && self.on_air_with(id, &wanted)
        {
            plan.kept.extend(wanted.remove_entry(&select).map(|(address, value)| (address, value, words::MICROPHONE)));
        }
        let (microphone, live) = (self.is_microphone(id), self.is_open_on_air(id));
        if microphone && !live {
            let switch = Address::new(Key::ChannelSwitch, id);
            if wanted.get(&switch).is_some_and(|value| value.is_word("open")) {
                plan.kept
                    .extend(wanted.remove_entry(&switch).map(|(address, value)| (address, value, words::MICROPHONE)));
            }
            // A switch that is open already: then neither fader nor route.
            if self.on_air_with(id, &wanted) {
                let opener = |address: &Address| {
                    matches!(Part::of(address.key.parameter()), Some(Part::Levels | Part::Routes | Part::Switches))
                };
                let (kept, rest): (BTreeMap<_, _>, _) = wanted.into_iter().partition(|(address, _)| opener(address));
                plan.kept.extend(kept.into_iter().map(|(address, value)| (address, value, words::MICROPHONE)));
                wanted = rest;
            }
        }
        let after = self.on_air_with(id, &wanted);
        let (words, mut numbers): (BTreeMap<_, _>, BTreeMap<_, _>) =
            wanted.into_iter().partition(|(address, value)| self.changes_at_once(address, value));
        match (live, after) {
            (true, false) if !microphone => {
                let stands = numbers.remove(&fader).unwrap_or_else(|| self.held(Key::ChannelFader, id));
                let words = words.into_iter().collect();
                plan.behind.push((id.clone(), Behind { words, fader: Some(stands), at: None }));
            }
            (true, _) => plan.kept.extend(words.into_iter().map(|(address, value)| (address, value, words::ON_AIR))),
            // Its fader would not hold back what goes to a bus before it.
            (false, true) if !microphone && !words.is_empty() && self.heard_before_fader(id, &words, &numbers) => {
                plan.kept.extend(words.into_iter().map(|(address, value)| (address, value, words::BEFORE_FADER)));
            }
            (false, true) if !microphone => {
                // The gate has to be closed first; all has settled when it opens again.
                let at = Some(self.now.plus(self.rate.frames_in_ms_rounded_up(SETTLE_MS / 2)));
                plan.behind.push((id.clone(), Behind { words: words.into_iter().collect(), fader: None, at }));
                let stands = numbers.remove(&fader).unwrap_or_else(|| self.held(Key::ChannelFader, id));
                plan.risers.push((fader.clone(), stands));
            }
            (false, _) => plan.words.extend(words),
        }
        for (address, value) in numbers {
            let rises = self.value(&address) == Some(Value::Off);
            if rises { plan.risers.push((address, value)) } else { plan.glides.push((address, value)) }
        }
    }

    /// Whether nothing lies between a value and the one it has: words, and what is off where off is no level.
    fn changes_at_once(&self, address: &Address, value: &Value) -> bool {
        let row = address.key.parameter();
        let off = *value == Value::Off || self.value(address) == Some(Value::Off);
        !matches!(row.domain, Domain::Number { .. }) || (off && row.taper != Taper::Fader)
    }

    /// Whether a channel would be heard with these values though its fader were off.
    fn heard_before_fader(
        &mut self,
        id: &Id,
        words: &BTreeMap<Address, Value>,
        numbers: &BTreeMap<Address, Value>,
    ) -> bool {
        let mut values: BTreeMap<Address, Value> =
            words.iter().chain(numbers).map(|(address, value)| (address.clone(), value.clone())).collect();
        values.insert(Address::new(Key::ChannelFader, id), Value::Off);
        self.on_air_with(id, &values)
    }

    /// Whether a channel would be open on air with these values.
    fn on_air_with(&mut self, id: &Id, values: &BTreeMap<Address, Value>) -> bool {
        let before: Vec<(Address, Option<Value>)> = values
            .iter()
            .map(|(address, value)| (address.clone(), self.mix.insert(address.clone(), value.clone())))
            .collect();
        let on_air = self.is_open_on_air(id);
        for (address, value) in before {
            match value {
                Some(value) => self.mix.insert(address, value),
                None => self.mix.remove(&address),
            };
        }
        on_air
    }

    /// What the plan changes, as it is now, so that it can be taken back.
    fn remember(&mut self, plan: &Plan, fade_s: f32) {
        let closed = plan.behind.iter().flat_map(|(id, behind)| {
            behind.words.iter().map(|(address, _)| address.clone()).chain([Address::new(Key::ChannelFader, id)])
        });
        let moved = plan.glides.iter().chain(&plan.words).chain(&plan.risers).map(|(address, _)| address.clone());
        let addresses: BTreeSet<Address> = moved.chain(closed).collect();
        let before: Vec<(Address, Value)> = addresses
            .into_iter()
            .filter_map(|address| {
                let value = self.value(&address)?;
                Some((address, value))
            })
            .collect();
        if before.is_empty() {
            return;
        }
        if self.fades.back.len() == BACK_MAX {
            self.fades.back.remove(0);
        }
        self.fades.back.push((before, fade_s));
    }

    fn note_recall(&self, recall: &Recall, fade_s: f32, plan: &Plan, effects: &mut Effects) {
        let what = match recall {
            Recall::Scene(id) => words::recalled(id),
            Recall::Mix { .. } => words::EARLIER_MIX.to_owned(),
            Recall::Back => words::TAKEN_BACK.to_owned(),
        };
        effects.notes.push(words::over(&what, fade_s));
        let mut kept: BTreeMap<(&str, &str), usize> = BTreeMap::new();
        for (address, _, why) in &plan.kept {
            *kept.entry((&*address.id, why)).or_default() += 1;
        }
        for ((id, why), count) in kept {
            effects.notes.push(words::keeps(id, count, why));
        }
    }

    fn begin(&mut self, plan: Plan, fade_s: f32, effects: &mut Effects) {
        let ms = |ms| self.rate.frames_in_ms_rounded_up(ms);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most a minute")]
        let length = ms((fade_s * 1000.0) as u32);
        let now = self.now;
        self.fades.stood.clear();
        if self.fades.glides.is_empty() {
            self.fades.next = now.plus(ms(RASTER_MS));
        }
        for (address, _) in plan.words.iter().chain(&plan.glides).chain(&plan.risers) {
            if address.key.parameter().scope == Scope::Channel {
                self.fades.behind.remove(&*address.id);
            }
        }
        for (address, value) in plan.risers {
            // Behind a closed gate its level goes where it is to start from; only then does the gate open.
            self.put(&address, Value::Off, By::Desk, effects);
            self.glide_from_floor(address, value, length);
        }
        for (address, value) in plan.words {
            self.put(&address, value, By::Desk, effects);
        }
        for (id, behind) in plan.behind {
            if behind.fader.is_some() {
                self.glide(Address::new(Key::ChannelFader, &id), Value::Off, length);
            }
            self.fades.behind.insert(id, behind);
        }
        for (address, value) in plan.glides {
            self.glide(address, value, length);
        }
    }

    fn glide(&mut self, address: Address, to: Value, length: Frames) {
        let Some(Value::Number(from)) = self.value(&address) else { return };
        let glide = Glide { from, to, begins: self.now, ends: self.now.plus(length), last: Value::Number(from) };
        self.fades.glides.insert(address, glide);
    }

    /// Brings what is off up to this, once its level behind the closed gate is where it is to start from.
    fn glide_from_floor(&mut self, address: Address, to: Value, length: Frames) {
        let Value::Number(level) = to else { return };
        let from = FLOOR_DB.min(level);
        let start = linear(Decibels::try_new(from).unwrap_or(Decibels::SILENCE)).get();
        let id = Id::from(&*address.id);
        let (bank, ids) = match address.key {
            Key::ChannelFader => (Bank::Sources, vec![id]),
            Key::BusFader => (Bank::Buses, vec![id]),
            Key::OutputLevel => (Bank::Outputs, vec![id]),
            Key::GroupFader => {
                let group = self.gain_groups().find(|group| group.id == id);
                (Bank::Sources, group.map(|group| group.members.clone()).unwrap_or_default())
            }
            _ => (Bank::Sources, Vec::new()),
        };
        for place in ids.iter().filter_map(|id| self.stage.place(bank, id)).collect::<Vec<_>>() {
            for column in place.columns() {
                self.stage.aim(Target::Level { bank, column }, start);
            }
        }
        let begins = self.now.plus(self.rate.frames_in_ms_rounded_up(SETTLE_MS));
        let glide = Glide { from, to, begins, ends: begins.plus(length), last: Value::Off };
        self.fades.glides.insert(address, glide);
    }

    /// Brings a level up to this from where it stands, in so many ms.
    pub(super) fn rise(&mut self, address: Address, to: Value, ms: u32) {
        if self.fades.glides.is_empty() {
            self.fades.next = self.now.plus(self.rate.frames_in_ms_rounded_up(RASTER_MS));
        }
        let length = self.rate.frames_in_ms_rounded_up(ms);
        if self.value(&address) == Some(Value::Off) {
            self.glide_from_floor(address, to, length);
        } else {
            self.glide(address, to, length);
        }
    }

    /// What is said anew glides no more, also where it was said to stay at the very value it glides from.
    pub(super) fn stop_gliding(&mut self, address: &Address) {
        if self.fades.glides.remove(address).is_some() && address.key == Key::ChannelFader {
            self.fades.behind.remove(&*address.id);
        }
    }

    // ---- under way ----

    /// What is due by now.
    pub(super) fn fade(&mut self, effects: &mut Effects) {
        if self.fades.next_deadline().is_none_or(|at| at > self.now) {
            return;
        }
        if !self.fades.glides.is_empty() && self.fades.next <= self.now {
            self.step(effects);
        }
        let due: Vec<Id> = self.due(self.fades.behind.iter().map(|(id, behind)| (id, behind.at)));
        for id in due {
            let Some(behind) = self.fades.behind.remove(&id) else { continue };
            if self.held(Key::ChannelFader, &id) != Value::Off {
                continue;
            }
            let fader = behind.fader.map(|value| (Address::new(Key::ChannelFader, &id), value));
            for (address, value) in behind.words.into_iter().chain(fader) {
                if !self.opens_a_microphone(&address, &value) {
                    self.put(&address, value, By::Desk, effects);
                }
            }
        }
        let held: Vec<ControlIndex> = self.due(self.fades.pressed.iter().map(|(control, at)| (control, Some(*at))));
        for control in held {
            self.fades.pressed.remove(&control);
            if let Some(button) = self.button(control) {
                let scene = button.scene.clone();
                effects.keep.push(scene.clone());
                self.fades.dark_until = Some(self.now.plus(self.rate.frames_in_ms_rounded_up(KEPT_DARK_MS)));
                self.show_scene(Some(scene), effects);
            }
        }
        if self.fades.dark_until.is_some_and(|until| until <= self.now) {
            self.fades.dark_until = None;
            effects.feedback.extend(self.scene_feedback());
        }
    }

    fn due<'a, T: Clone + 'a>(&self, all: impl Iterator<Item = (&'a T, Option<Frames>)>) -> Vec<T> {
        all.filter(|(_, at)| at.is_some_and(|at| at <= self.now)).map(|(what, _)| what.clone()).collect()
    }

    /// Moves everything on. The engine follows each thing once.
    fn step(&mut self, effects: &mut Effects) {
        let (raster, now) = (self.rate.frames_in_ms_rounded_up(RASTER_MS), self.now);
        let settle = self.rate.frames_in_ms_rounded_up(SETTLE_MS);
        self.fades.next = now.plus(raster);
        let mut moved: BTreeMap<(Scope, Box<str>, bool), Address> = BTreeMap::new();
        let mut glides = std::mem::take(&mut self.fades.glides);
        self.gathering = true;
        glides.retain(|address, glide| {
            let fader = address.key == Key::ChannelFader;
            let lost = self.value(address).as_ref() != Some(&glide.last);
            // Whatever changed since the recall: no microphone is opened.
            let value = glide.at(address, now);
            let opens = glide.last == Value::Off && value != Value::Off && self.opens_a_microphone(address, &value);
            if lost || opens {
                if fader {
                    self.fades.behind.remove(&*address.id);
                }
                return false;
            }
            if value != glide.last {
                self.put(address, value.clone(), By::Desk, effects);
                let row = address.key.parameter();
                moved.insert((row.scope, address.id.clone(), address.key.is_of_a_stage()), address.clone());
                glide.last = value;
            }
            let over = glide.ends <= now;
            if over
                && fader
                && let Some(behind) = self.fades.behind.get_mut(&*address.id)
            {
                behind.at = Some(now.plus(settle));
            }
            !over
        });
        self.gathering = false;
        self.fades.glides = glides;
        for address in moved.into_values() {
            self.follow(&address, effects);
        }
        if self.fades.glides.is_empty() {
            self.fades.stood.clear();
        }
    }

    /// A hand moved a control of this value: a glide of it ends where it stands, and the control takes over by its rule.
    pub(super) fn hand_stops(&mut self, gesture: Gesture, address: &Address, stood: Option<Travel>) {
        if !self.fades.glides.contains_key(address) {
            return;
        }
        let moved = match gesture.action {
            Action::Travel(travel) => {
                let stood = *self.fades.stood.entry(gesture.control).or_insert(stood.unwrap_or(travel));
                (travel.get() - stood.get()).abs() > HAND
            }
            Action::Press | Action::Release | Action::Steps(_) => true,
        };
        if moved {
            self.fades.glides.remove(address);
            if address.key == Key::ChannelFader {
                self.fades.behind.remove(&*address.id);
            }
        }
    }

    // ---- buttons ----

    fn button(&self, control: ControlIndex) -> Option<&SceneButton> {
        let id = &self.installation.panel.controls.get(control.0)?.id;
        self.installation.profile.scene_buttons.iter().find(|button| button.control == *id)
    }

    /// A control that may be the button of a scene did something. A hand that keeps it down long enough keeps.
    pub(super) fn scene_gesture(&mut self, gesture: Gesture, effects: &mut Effects) {
        let Some(button) = self.button(gesture.control) else { return };
        let (scene, keep_after_s) = (button.scene.clone(), button.keep_after_s);
        let Some(control) = self.installation.panel.controls.get(gesture.control.0) else { return };
        if control.kind == ControlKind::Lamp {
            return;
        }
        let never_up = self.fades.impulse || matches!(control.message, Message::ProgramChange { .. });
        let recalls = match gesture.action {
            Action::Press if self.fades.report_until.remove(&gesture.control).is_some_and(|at| self.now < at) => false,
            // A touch that is awaited recalls nothing.
            Action::Press if self.is_locked() || self.taught => false,
            Action::Press => match keep_after_s.filter(|_| !never_up) {
                None => true,
                Some(seconds) => {
                    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most 10 s")]
                    let ms = (seconds * 1000.0) as u32;
                    let at = self.now.plus(self.rate.frames_in_ms_rounded_up(ms));
                    self.fades.pressed.insert(gesture.control, at);
                    false
                }
            },
            Action::Release => self.fades.pressed.remove(&gesture.control).is_some(),
            Action::Travel(_) | Action::Steps(_) => false,
        };
        effects.hand = true;
        if recalls {
            self.recall(&Recall::Scene(scene), By::Control(gesture.control), effects);
        }
    }

    /// A port was found: what its buttons say first is how they stand.
    pub(super) fn let_go_of_scenes(&mut self, port: PortIndex) {
        let Some(id) = self.rig().control_ports.get(port.0).map(|port| port.id.clone()) else { return };
        let until = self.now.plus(self.rate.frames_in_ms_rounded_up(hands::REPORT_MS));
        for (index, control) in self.installation.panel.controls.iter().enumerate() {
            let index = ControlIndex(index);
            if control.port == id && control.kind == ControlKind::Hold && self.button(index).is_some() {
                self.fades.report_until.insert(index, until);
            }
            if control.port == id {
                self.fades.pressed.remove(&index);
            }
        }
    }

    /// Another profile or panel is in force: nothing glides, and no button is down.
    pub(super) fn drop_scenes(&mut self, reread: bool) {
        self.fades.pressed.clear();
        self.fades.report_until.clear();
        if !reread {
            self.fades.stop();
            self.fades.back.clear();
        }
        if self.fades.current.as_ref().is_some_and(|id| !reread || self.installation.profile.scene(id).is_none()) {
            self.fades.current = None;
        }
    }

    fn show_scene(&mut self, scene: Option<Id>, effects: &mut Effects) {
        self.fades.current = scene;
        effects.feedback.extend(self.scene_feedback());
    }

    /// What the lamps of scenes show: the one that was recalled or kept last.
    pub(super) fn scene_feedback(&self) -> Vec<Feedback> {
        let buttons = self.installation.profile.scene_buttons.iter().filter_map(|button| {
            let control = self.installation.panel.controls.iter().position(|control| control.id == button.control)?;
            let lit = self.fades.current.as_ref() == Some(&button.scene) && self.fades.dark_until.is_none();
            let travel = if lit { Travel::TOP } else { Travel::BOTTOM };
            Some(Feedback { control: ControlIndex(control), travel })
        });
        buttons.collect()
    }
}

impl Glide {
    /// Where it is now: in dB, in equal ratios, or straight, as the parameter's own travel goes.
    fn at(&self, address: &Address, now: Frames) -> Value {
        if now < self.begins {
            return self.last.clone();
        }
        if now >= self.ends {
            return self.to.clone();
        }
        #[expect(clippy::cast_precision_loss, reason = "at most a minute of frames")]
        let part = now.since(self.begins).0 as f32 / self.ends.since(self.begins).0 as f32;
        let to = match self.to {
            Value::Number(to) => to,
            _ => FLOOR_DB.min(self.from),
        };
        if address.key.parameter().taper == Taper::Logarithmic && self.from > 0.0 && to > 0.0 {
            let octaves = log2(f64::from(to) / f64::from(self.from)) * f64::from(part);
            #[expect(clippy::cast_possible_truncation, reason = "parameters are in single precision")]
            let number = (f64::from(self.from) * exp2(octaves)) as f32;
            return Value::Number(number.clamp(self.from.min(to), self.from.max(to)));
        }
        Value::Number(self.from + (to - self.from) * part)
    }
}

/// Whether a fade of this many seconds is one; for whoever asks for it.
#[must_use]
pub fn is_fade(seconds: f32) -> bool {
    (FADE_S.0..=FADE_S.1).contains(&seconds)
}
