//! The files of an installation on the disk: reading them, checking them, and falling back on what was
//! accepted before.

use super::state::State;
use crate::profile::{Checked, Diagnostic, ENVIRONMENT_PREFIX, InputFrom, Installation, Source, Texts, check, demo};
use crate::words::log;
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

    /// Every file, by what it is called among those that were accepted.
    #[must_use]
    pub fn named(&self) -> Vec<(String, PathBuf)> {
        let rig = self.rig.iter().enumerate().map(|(n, path)| (layer(n), path.clone()));
        let panel = self.panel.iter().map(|path| ("panel".to_owned(), path.clone()));
        let profile = self.profile.iter().map(|path| ("profile".to_owned(), path.clone()));
        rig.chain(panel).chain(profile).collect()
    }

    /// Reads and checks the files; what is not named comes from the built-in installation, a panel only
    /// together with the built-in rig.
    ///
    /// # Errors
    /// A file that cannot be read, in words.
    pub fn load(&self) -> Result<Loaded, String> {
        Ok(check_texts(self.texts(|_, path| read(path))?, self))
    }

    /// The same with other texts for panel and profile than those of the files; both of them as they were read, too.
    ///
    /// # Errors
    /// A file that cannot be read, in words.
    pub(super) fn load_with(&self, change: impl Fn(&str, &str) -> Result<String, String>) -> Result<Loaded, String> {
        let texts = self.texts(|what, path| {
            let source = read(path)?;
            Ok(Source { text: change(what, &source.text)?, ..source })
        })?;
        Ok(check_texts(texts, self))
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

    /// The texts, each got by what it is called among those that were accepted, and by its path.
    fn texts(&self, get: impl Fn(&str, &Path) -> Result<Source, String>) -> Result<Texts, String> {
        let built_in = demo();
        let mut texts = Texts {
            // Only what is meant for us: the texts go into the journal.
            environment: std::env::vars_os()
                .filter_map(|(name, value)| Some((name.into_string().ok()?, value.into_string().ok()?)))
                .filter(|(name, _)| name.starts_with(ENVIRONMENT_PREFIX) && !NO_SETTINGS.contains(&name.as_str()))
                .collect(),
            flags: self.settings.clone(),
            rig: self.rig.iter().enumerate().map(|(n, path)| get(&layer(n), path)).collect::<Result<_, _>>()?,
            panel: self.panel.as_deref().map(|path| get("panel", path)).transpose()?,
            profile: self.profile.as_deref().map(|path| get("profile", path)).transpose()?,
        };
        if texts.rig.is_empty() {
            texts.rig = built_in.rig;
            if texts.panel.is_none() && texts.profile.is_none() {
                texts.panel = built_in.panel;
            }
        }
        if texts.profile.is_none() {
            if !self.rig.is_empty() {
                return Err(log::RIG_WITHOUT_PROFILE.to_owned());
            }
            texts.profile = built_in.profile;
        }
        Ok(texts)
    }

    /// Keeps what was accepted of these files as the newest revisions of a state folder. What is built in is none.
    pub fn keep_accepted(&self, folder: &Path, texts: &Texts) {
        let rig = texts.rig.iter().zip(&self.rig).enumerate().map(|(n, (source, _))| (layer(n), source));
        let panel = texts.panel.iter().zip(&self.panel).map(|(source, _)| ("panel".to_owned(), source));
        let profile = texts.profile.iter().zip(&self.profile).map(|(source, _)| ("profile".to_owned(), source));
        for (what, source) in rig.chain(panel).chain(profile) {
            if let Err(error) = super::state::accept(folder, &what, &source.text) {
                tracing::warn!("{}", log::accepted_not_kept(&what, error));
            }
        }
    }
}

/// What a file of the rig is called among those that were accepted.
fn layer(number: usize) -> String {
    if number == 0 { "rig".to_owned() } else { format!("rig-{}", number + 1) }
}

fn read(path: &Path) -> Result<Source, String> {
    let name = path.display().to_string();
    let length = std::fs::metadata(path).map_err(|error| format!("{name}: {error}"))?.len();
    if length > crate::profile::FILE_BYTES_MAX as u64 {
        return Err(log::file_too_long(&name, length, crate::profile::FILE_BYTES_MAX));
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
    /// What was accepted last of these files, if all of it was and it is still sound. The settings count as well,
    /// unless it is they that are wrong.
    #[must_use]
    pub fn last_accepted(&self, paths: &Paths) -> Option<Loaded> {
        let mut known = paths.clone();
        // The show went without a panel before there was one.
        known.panel = known.panel.filter(|_| self.accepted("panel").is_some());
        let texts = known.texts(|what, _| {
            let text = self.accepted(what).ok_or_else(|| log::not_accepted(what))?;
            Ok(Source { name: format!("accepted {what}"), text })
        });
        let texts = texts.ok()?;
        let alone = Texts { flags: Vec::new(), environment: Vec::new(), ..texts.clone() };
        [texts, alone].into_iter().map(|texts| check_texts(texts, paths)).find(|loaded| loaded.installation.is_some())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"evening\"\n";

    fn paths(folder: &Path) -> Paths {
        let write = |name: &str, text: &str| {
            std::fs::write(folder.join(name), text).expect("written");
            folder.join(name)
        };
        let rig = "form = 1\nkind = \"rig\"\nrate_hz = 48000\n";
        let over = "form = 1\nkind = \"rig\"\n[network]\nlisten = \"127.0.0.1:9200\"\n";
        Paths {
            rig: vec![write("rig.toml", rig), write("over.toml", over)],
            panel: None,
            profile: Some(write("profile.toml", PROFILE)),
            settings: Vec::new(),
        }
    }

    #[test]
    fn what_was_accepted_comes_back_with_every_layer_and_the_settings_of_now() {
        let folder = tempfile::tempdir().expect("a folder");
        let state = State::open(&folder.path().join("state")).expect("free");
        let mut paths = paths(folder.path());
        assert!(state.last_accepted(&paths).is_none(), "nothing was accepted yet");
        let loaded = paths.load().expect("readable");
        let accepted = loaded.installation.expect("sound");
        assert_eq!(accepted.rig.network.listen.port(), 9200, "the second layer counts");
        paths.keep_accepted(state.folder(), &loaded.texts);
        let back = |paths: &Paths| state.last_accepted(paths).and_then(|loaded| loaded.installation);
        assert_eq!(back(&paths).as_ref().map(|back| &back.rig), Some(&accepted.rig));
        // A panel that was never accepted is none.
        paths.panel = Some(folder.path().join("broken.toml"));
        assert_eq!(back(&paths).as_ref().map(|back| &back.rig), Some(&accepted.rig));
        paths.settings = vec![("network.listen".into(), "127.0.0.1:9300".into())];
        assert_eq!(back(&paths).expect("sound").rig.network.listen.port(), 9300);
        paths.settings = vec![("network.listen".into(), "nowhere".into())];
        assert_eq!(back(&paths).expect("the setting is left out").rig.network.listen.port(), 9200);
    }

    #[test]
    fn the_built_in_installation_is_no_accepted_revision_of_anybodys_files() {
        let folder = tempfile::tempdir().expect("a folder");
        let state = State::open(&folder.path().join("state")).expect("free");
        let none = Paths::default();
        none.keep_accepted(state.folder(), &none.load().expect("built in").texts);
        assert!(state.last_accepted(&paths(folder.path())).is_none());
        assert!(state.last_accepted(&none).is_some(), "it comes back by itself");
    }
}
