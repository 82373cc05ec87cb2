//! `longthrow pack` and `unpack`: an installation in one archive, and back out of it where the devices are other ones.

use super::check::{Files, read_bounded, refused, to_text};
use super::prompt::{Prompt, Stop, usual_folder};
use super::{exit, ports};
use crate::params::nearest;
use crate::ports::archive::{self, Packed};
use crate::ports::{audio, midi, storage};
use crate::profile::{Device, FileKind, Host, InputFrom, NodeLine, Reach, Rig, Source, edit, read_rig};
use clap::Args;
use std::path::{Path, PathBuf};

/// Where the files of the system's service are.
const OF_THE_SERVICE: &str = "/etc/longthrow";
/// The answer that leaves a device as it is named.
const KEEP: &str = "keep";

/// Rig, panel with its calibration, and profiles in one archive (tar), to be taken elsewhere.
///
/// Only files that say they are one of these go in, and only when all of them pass `check`: no audio, and nothing else that lies
/// beside them. Several rigs are layers, in the order given.
#[derive(Debug, Args)]
pub(super) struct Pack {
    /// The archive to be written
    archive: PathBuf,
    /// The files; without any, those that `longthrow new` wrote, or else the service's
    files: Vec<PathBuf>,
    /// Writes over an archive that is there
    #[arg(long)]
    replace: bool,
}

/// What was packed, checked and written with the devices of this machine.
///
/// A device that is not here is asked for; with --yes it stays as it is named, and the desk waits for it. All of it is checked
/// before any of it is written.
#[derive(Debug, Args)]
pub(super) struct Unpack {
    /// The archive
    archive: PathBuf,
    /// Where the files are written; otherwise where `longthrow new` does
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
    /// What takes the place of a device of the rig, as in stage=alsa:hw:CARD=Box,DEV=0, stage=jack or stage=jack:SERVER;
    /// stage=keep leaves it
    #[arg(long, value_name = "ID=HOST:IDENTITY", value_parser = named)]
    device: Vec<(String, String)>,
    /// What takes the place of a MIDI port or serial line of the rig: its name or path, or keep
    #[arg(long, value_name = "ID=NAME", value_parser = named)]
    control_port: Vec<(String, String)>,
    /// Writes over files that are there
    #[arg(long)]
    replace: bool,
    /// Asks nothing: what is not here stays as it is named
    #[arg(long)]
    yes: bool,
}

fn named(text: &str) -> Result<(String, String), String> {
    let (id, name) = text.split_once('=').ok_or("accepted: ID=..., with the id that the rig has")?;
    Ok((id.to_owned(), name.to_owned()))
}

fn could_not(path: &Path, error: &impl std::fmt::Display) -> Stop {
    Stop(exit::COULD_NOT_RUN, format!("{}: {error}", path.display()))
}

/// Refuses files that do not pass `check`.
fn sound(files: &Files) -> Result<(), Stop> {
    let diagnostics = files.check(Vec::new());
    if !refused(&diagnostics) {
        return Ok(());
    }
    Err(Stop(exit::NOT_FINE, to_text(&diagnostics, true, &[]).trim_end().to_owned()))
}

impl Pack {
    pub(super) fn run(&self) -> u8 {
        Stop::said(self.pack())
    }

    fn pack(&self) -> Result<String, Stop> {
        let paths = if self.files.is_empty() { usual_files()? } else { self.files.clone() };
        let (mut files, mut packed) = (Files::default(), Vec::<Packed>::new());
        for path in &paths {
            let bytes = read_bounded(path).map_err(|error| could_not(path, &error))?;
            let name = path.file_name().and_then(|name| name.to_str()).filter(|name| archive::is_sound_name(name));
            let name = name.ok_or_else(|| could_not(path, &"this name cannot stand in an archive"))?.to_owned();
            if packed.iter().any(|other| other.name == name) {
                return Err(Stop(exit::USAGE, format!("two files are called {name}: give one another name")));
            }
            files.add(&path.display().to_string(), bytes.clone());
            packed.push(Packed { name, bytes });
        }
        if files.panels.len() > 1 {
            return Err(Stop(exit::USAGE, "an installation has one panel file; name the files to be packed".into()));
        }
        if files.rigs.len() > 1 && self.files.is_empty() {
            let why = "there is more than one rig; name the files to be packed, the rigs in their order";
            return Err(Stop(exit::USAGE, why.into()));
        }
        if packed.len() > archive::FILES_MAX {
            return Err(Stop(exit::USAGE, format!("at most {} files go into an archive", archive::FILES_MAX)));
        }
        sound(&files)?;
        let bytes = archive::write(&packed).map_err(|error| could_not(&self.archive, &error))?;
        storage::write_all(&[(&self.archive, &bytes)], self.replace)
            .map_err(|why| Stop(exit::COULD_NOT_RUN, format!("{why} (--replace writes over it)")))?;
        let names: Vec<&str> = packed.iter().map(|file| &*file.name).collect();
        Ok(format!("{}: {}\n", self.archive.display(), names.join(", ")))
    }
}

/// The files of an installation that lie where they usually do.
fn usual_files() -> Result<Vec<PathBuf>, Stop> {
    let folders = [usual_folder(), PathBuf::from(OF_THE_SERVICE)];
    for folder in &folders {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
        let is_ours = |path: &PathBuf| {
            let toml = path.extension().is_some_and(|extension| extension == "toml") && path.is_file();
            toml && read_bounded(path).is_ok_and(|bytes| FileKind::of(&String::from_utf8_lossy(&bytes)).is_some())
        };
        let mut found: Vec<PathBuf> = entries.filter(is_ours).collect();
        if !found.is_empty() {
            found.sort();
            return Ok(found);
        }
    }
    let folders = folders.map(|folder| folder.display().to_string());
    Err(Stop(exit::USAGE, format!("there are no files in {}: name those to be packed", folders.join(" or "))))
}

/// What takes the place of a device.
type Replacement = Option<(Host, String)>;

impl Unpack {
    pub(super) fn run(&self) -> u8 {
        Stop::said(self.unpack())
    }

    fn unpack(&self) -> Result<String, Stop> {
        let file = std::fs::File::open(&self.archive).map_err(|error| could_not(&self.archive, &error))?;
        let mut packed = archive::read(file)
            .map_err(|why| Stop(exit::NOT_FINE, format!("{}: {why}; nothing is written", self.archive.display())))?;
        for file in &packed {
            if FileKind::of(&String::from_utf8_lossy(&file.bytes)).is_none() {
                let why = format!("{} in the archive is no rig, panel or profile; nothing is written", file.name);
                return Err(Stop(exit::NOT_FINE, why));
            }
        }
        let folder = self.folder.clone().unwrap_or_else(usual_folder);
        // Before the questions, so that nobody answers them in vain.
        let paths: Vec<PathBuf> = packed.iter().map(|file| folder.join(&file.name)).collect();
        if let Some(there) = paths.iter().find(|path| !self.replace && path.symlink_metadata().is_ok()) {
            let why = format!(
                "{} is there already and stays as it is; name another --folder, or say --replace",
                there.display()
            );
            return Err(Stop(exit::COULD_NOT_RUN, why));
        }
        let rig = self.fit(&mut packed)?;
        let mut files = Files::default();
        for file in &packed {
            files.add(&file.name, file.bytes.clone());
        }
        if files.panels.len() > 1 {
            return Err(Stop(exit::NOT_FINE, "the archive has two panels; nothing is written".into()));
        }
        sound(&files)?;
        std::fs::create_dir_all(&folder).map_err(|error| could_not(&folder, &error))?;
        let all: Vec<(&Path, &[u8])> = paths.iter().zip(&packed).map(|(path, file)| (&**path, &*file.bytes)).collect();
        storage::write_all(&all, self.replace).map_err(|why| Stop(exit::COULD_NOT_RUN, why))?;
        Ok(self.next_step(&packed, &paths, rig.as_ref(), &folder))
    }

    /// Puts the devices of this machine into the rigs; the rig as it was packed.
    fn fit(&self, packed: &mut [Packed]) -> Result<Option<Rig>, Stop> {
        let mut rigs: Vec<&mut Packed> = packed.iter_mut().filter(|file| is(file, FileKind::Rig)).collect();
        let sources = rigs
            .iter()
            .map(|file| Source { name: file.name.clone(), text: String::from_utf8_lossy(&file.bytes).into_owned() });
        let sources: Vec<Source> = sources.collect();
        if sources.is_empty() {
            return Ok(None);
        }
        // The devices may need another count of channels than the rig says: what is asked is asked of a sound rig.
        let (rig, diagnostics) = read_rig(sources);
        let Some(rig) = rig else {
            return Err(Stop(exit::NOT_FINE, to_text(&diagnostics, true, &[]).trim_end().to_owned()));
        };
        let mut ask = Prompt::new(self.yes);
        let ids = rig.devices.iter().filter(|device| device.host != Host::Application).map(|device| &*device.id);
        known("--device", &self.device, ids)?;
        known("--control-port", &self.control_port, rig.control_ports.iter().map(|port| &*port.id))?;
        let mut listed = None;
        for device in rig.devices.iter().filter(|device| device.host != Host::Application) {
            let Some((host, identity)) = self.replacement(device, &mut listed, &mut ask)? else { continue };
            change(&mut rigs, "device", &device.id, "host", Some(ports::word(host)))?;
            change(&mut rigs, "device", &device.id, "identity", Some(&identity))?;
            if host != Host::Jack {
                // Other hosts have no ports to link.
                change(&mut rigs, "device", &device.id, "link_inputs", None)?;
                change(&mut rigs, "device", &device.id, "link_outputs", None)?;
            }
        }
        for port in &rig.control_ports {
            let (key, now, there) = match &port.reach {
                Reach::Midi { name } => {
                    let names = midi::midi_names().unwrap_or_default();
                    ("name", name.clone(), names.iter().any(|found| found.contains(&**name)))
                }
                Reach::Serial { path, .. } | Reach::Node { line: NodeLine::Serial { path, .. }, .. } => {
                    ("path", path.display().to_string(), path.exists())
                }
                _ => continue,
            };
            let given = self.control_port.iter().find(|(id, _)| **id == *port.id).map(|(_, name)| name);
            if there && given.is_none() {
                continue;
            }
            let question = format!("Control port \"{}\" ({now}) is not here. Its {key} on this machine?", port.id);
            let answer = ask.answer(given, "control-port", &question, KEEP, |text| Ok(text.to_owned()))?;
            if answer != KEEP {
                change(&mut rigs, "control-port", &port.id, key, Some(&answer))?;
            }
        }
        Ok(Some(rig))
    }

    fn replacement(
        &self,
        device: &Device,
        listed: &mut Option<Vec<audio::Listed>>,
        ask: &mut Prompt,
    ) -> Result<Replacement, Stop> {
        let given = self.device.iter().find(|(id, _)| **id == *device.id).map(|(_, name)| name);
        if given.is_none() && audio::is_there(device) {
            return Ok(None);
        }
        let mut choices: &[audio::Listed] = &[];
        if given.is_none() && !self.yes {
            choices = listed.get_or_insert_with(audio::list);
            let identity = if device.identity.is_empty() { "default" } else { &device.identity };
            ask.say(&format!(
                "Device \"{}\" ({}, {identity}; {} in, {} out) is not on this machine. There are:",
                device.id,
                ports::word(device.host),
                device.inputs,
                device.outputs
            ));
            for (number, found) in (1..).zip(choices) {
                ask.say(&format!("  {number}  {}: {} in, {} out", found.description, found.inputs, found.outputs));
            }
        }
        let parse = |text: &str| {
            if text == KEEP {
                return Ok(None);
            }
            let chosen = text.parse::<usize>().ok().and_then(|number| choices.get(number.checked_sub(1)?));
            if let Some(found) = chosen {
                return Ok(Some((found.host, found.identity.clone())));
            }
            let (host, identity) = text.split_once(':').unwrap_or((text, ""));
            let hosts = [Host::Alsa, Host::Jack, Host::PulseAudio, Host::PipeWire];
            match hosts.into_iter().find(|known| ports::word(*known) == host) {
                Some(host) if host == Host::Jack || !identity.is_empty() => Ok(Some((host, identity.to_owned()))),
                _ => Err("accepted: HOST:IDENTITY as alsa:hw:CARD=Box,DEV=0, jack, jack:SERVER, or keep".to_owned()),
            }
        };
        let question = "Which takes its place (a number, HOST:IDENTITY, or keep, to wait for it)?";
        ask.answer(given, "device", question, KEEP, parse)
    }

    fn next_step(&self, packed: &[Packed], paths: &[PathBuf], rig: Option<&Rig>, folder: &Path) -> String {
        let of = |kind: FileKind| {
            let both = packed.iter().zip(paths);
            both.filter(move |(file, _)| is(file, kind)).map(|(_, path)| path.display().to_string()).collect::<Vec<_>>()
        };
        let all: Vec<String> = paths.iter().map(|path| path.display().to_string()).collect();
        let mut text = format!("Written: {}\n", all.join(", "));
        for input in rig.iter().flat_map(|rig| &rig.inputs) {
            if let InputFrom::File { path, .. } = &input.from
                && !folder.join(path).exists()
            {
                text += &format!("Look: input {} plays {}, which is not here\n", input.id, folder.join(path).display());
            }
        }
        let (rigs, panels, profiles) = (of(FileKind::Rig), of(FileKind::Panel), of(FileKind::Profile));
        if let (false, Some(profile)) = (rigs.is_empty(), profiles.first()) {
            text += "\nThe next step:\n  longthrow run";
            text += &rigs.iter().map(|rig| format!(" --rig {rig}")).collect::<String>();
            text += &panels.iter().map(|panel| format!(" --panel {panel}")).collect::<String>();
            text += &format!(" --profile {profile}\n");
            text += "Another device has another level: take headphones off, and turn amplifiers down, until you have heard how loud it is.\n";
        }
        text
    }
}

fn is(file: &Packed, kind: FileKind) -> bool {
    FileKind::of(&String::from_utf8_lossy(&file.bytes)) == Some(kind)
}

/// Refuses answers about what the rig does not have.
fn known<'a>(option: &str, given: &[(String, String)], ids: impl Iterator<Item = &'a str>) -> Result<(), Stop> {
    let ids: Vec<&str> = ids.collect();
    match given.iter().find(|(id, _)| !ids.contains(&&**id)) {
        None => Ok(()),
        Some((id, _)) => {
            let near = nearest(id, ids.iter().copied()).map(|near| format!("; the nearest is \"{near}\""));
            let why =
                format!("{option} {id}: the rig in the archive has none of that name{}", near.unwrap_or_default());
            Err(Stop(exit::USAGE, why))
        }
    }
}

/// Puts a text into the highest rig that has the table, or takes it out of all of them.
fn change(rigs: &mut [&mut Packed], table: &str, id: &str, key: &str, new: Option<&str>) -> Result<(), Stop> {
    for file in rigs.iter_mut().rev() {
        let text = String::from_utf8_lossy(&file.bytes).into_owned();
        let changed = edit::with_text(&text, table, id, key, new)
            .map_err(|why| Stop(exit::NOT_FINE, format!("{}: {why}", file.name)))?;
        if let Some(changed) = changed {
            file.bytes = changed.into_bytes();
            if new.is_some() {
                break;
            }
        }
    }
    Ok(())
}
