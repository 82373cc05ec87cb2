//! The files of an installation on the disk: reading them, checking them, and falling back on what was
//! accepted before.

use super::state::State;
use crate::profile::{Checked, Diagnostic, ENVIRONMENT_PREFIX, InputFrom, Installation, Source, Texts, check, demo};
use std::path::{Path, PathBuf};

/// Variables that begin like settings of the rig and are none.
const NO_SETTINGS: [&str; 2] = ["LONGTHROW_LOG", "LONGTHROW_PROOF"];

/// Where the three files are.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Paths {
    /// The rig's files, later ones over earlier ones.
    pub rig: Vec<PathBuf>,
    /// The panel.
    pub panel: Option<PathBuf>,
    /// The profile.
    pub profile: Option<PathBuf>,
    /// Settings of the rig over its files: a path with dots and a value.
    pub settings: Vec<(String, String)>,
}

/// What came of reading and checking.
#[derive(Debug)]
pub struct Loaded {
    /// What the files say, when they are sound.
    pub installation: Option<Installation>,
    /// Everything that is wrong or odd.
    pub diagnostics: Vec<Diagnostic>,
    /// The texts as they were read, to be compared and kept.
    pub texts: Texts,
}

impl Paths {
    /// Every file named.
    #[must_use]
    pub fn all(&self) -> Vec<PathBuf> {
        self.rig.iter().chain(&self.panel).chain(&self.profile).cloned().collect()
    }

    /// Reads and checks the files; what is not named comes from the built-in installation, a panel only
    /// together with the built-in rig.
    ///
    /// # Errors
    /// A file that cannot be read, in words.
    pub fn load(&self) -> Result<Loaded, String> {
        Ok(check_texts(self.read()?, self))
    }

    /// Files that the rig names are looked for beside it.
    fn resolve(&self, installation: &mut Installation) {
        let folder = self.rig.last().and_then(|rig| rig.parent());
        for input in &mut installation.rig.inputs {
            if let (InputFrom::File { path, .. }, Some(folder)) = (&mut input.from, folder)
                && path.is_relative()
            {
                *path = folder.join(&*path);
            }
        }
    }

    fn read(&self) -> Result<Texts, String> {
        let built_in = demo();
        let mut texts = Texts {
            environment: environment(),
            flags: self.settings.clone(),
            rig: self.rig.iter().map(|path| read(path)).collect::<Result<_, _>>()?,
            panel: self.panel.as_deref().map(read).transpose()?,
            profile: self.profile.as_deref().map(read).transpose()?,
        };
        if texts.rig.is_empty() {
            texts.rig = built_in.rig;
            if texts.panel.is_none() && texts.profile.is_none() {
                texts.panel = built_in.panel;
            }
        }
        if texts.profile.is_none() {
            if !self.rig.is_empty() {
                return Err("a rig needs a profile beside it: name one with --profile".to_owned());
            }
            texts.profile = built_in.profile;
        }
        Ok(texts)
    }
}

/// Settings of the rig in the environment. Only what is meant for us: the texts go into the journal.
fn environment() -> Vec<(String, String)> {
    std::env::vars_os()
        .filter_map(|(name, value)| Some((name.into_string().ok()?, value.into_string().ok()?)))
        .filter(|(name, _)| name.starts_with(ENVIRONMENT_PREFIX) && !NO_SETTINGS.contains(&name.as_str()))
        .collect()
}

/// What the revisions of a rig's file are called, by its place in the order of the layers.
fn rig_name(layer: usize) -> String {
    if layer == 0 { "rig".to_owned() } else { format!("rig-{}", layer + 1) }
}

fn read(path: &Path) -> Result<Source, String> {
    let name = path.display().to_string();
    let length = std::fs::metadata(path).map_err(|error| format!("{name}: {error}"))?.len();
    if length > crate::profile::FILE_BYTES_MAX as u64 {
        return Err(format!("{name}: {length} bytes; a file has at most {}", crate::profile::FILE_BYTES_MAX));
    }
    let bytes = std::fs::read(path).map_err(|error| format!("{name}: {error}"))?;
    Source::from_bytes(&name, bytes).map_err(|diagnostic| diagnostic.to_string())
}

fn check_texts(texts: Texts, paths: &Paths) -> Loaded {
    let (checked, diagnostics) = check(&texts);
    let mut installation = checked.and_then(Checked::into_installation);
    if let Some(installation) = &mut installation {
        paths.resolve(installation);
    }
    Loaded { installation, diagnostics, texts }
}

impl State {
    /// The installation that was accepted last, if one was and is still sound: as many layers of the rig as are asked for
    /// now, under the settings of this start unless it is they that are wrong.
    #[must_use]
    pub fn last_accepted(&self, paths: &Paths) -> Option<Loaded> {
        let source = |what: &str| {
            let name = format!("accepted {what}");
            self.accepted(what).map(|text| Source { name, text })
        };
        let bare = Texts {
            rig: (0..paths.rig.len().max(1)).map(|layer| source(&rig_name(layer))).collect::<Option<_>>()?,
            panel: source("panel"),
            profile: Some(source("profile")?),
            ..Texts::default()
        };
        let under_settings = Texts { environment: environment(), flags: paths.settings.clone(), ..bare.clone() };
        let loaded = [under_settings, bare].map(|texts| check_texts(texts, paths));
        loaded.into_iter().find(|loaded| loaded.installation.is_some())
    }
}

/// Keeps accepted texts as the newest revisions of a state folder.
pub fn keep_accepted(folder: &Path, texts: &Texts) {
    let rigs = texts.rig.iter().enumerate().map(|(layer, source)| (rig_name(layer), source));
    let others = texts.panel.iter().map(|source| ("panel".to_owned(), source));
    let others = others.chain(texts.profile.iter().map(|source| ("profile".to_owned(), source)));
    for (what, source) in rigs.chain(others) {
        if let Err(error) = super::state::accept(folder, &what, &source.text) {
            tracing::warn!("the accepted {what} could not be kept: {error}");
        }
    }
}
