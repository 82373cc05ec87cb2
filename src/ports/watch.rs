//! Tells when one of a few files may have changed, however it was saved.
//!
//! Folders are watched, never files: a watch on a file dies when an editor renames a new one over it (notify issues
//! 113, 247, 531). Every folder that the path runs through is watched, and those that its links lead to, so
//! that a link swapped half-way up is seen too. Events are hints only: the files' stamps decide, and they are
//! also looked at without any event, so that a watcher that died costs two seconds and no change.

use super::control::{Stop, Worker, lock};
use notify::event::{AccessKind, AccessMode};
use notify::{EventKind, RecommendedWatcher, RecursiveMode, Watcher};
use std::collections::BTreeSet;
use std::ffi::OsString;
use std::fmt;
use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Component, Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// How long is waited for what.
#[derive(Clone, Copy, Debug)]
struct Pace {
    /// No event for so long, and a save is taken to be over.
    quiet: Duration,
    /// A file that is written to without a pause is told after so long all the same.
    ceiling: Duration,
    /// Between looks without an event.
    slow_look: Duration,
}

const PACE: Pace =
    Pace { quiet: Duration::from_millis(10), ceiling: Duration::from_secs(3), slow_look: Duration::from_secs(2) };

/// As the kernel allows (path_resolution(7)).
const LINKS: usize = 40;

/// A watch; dropping it ends it.
pub struct Watch {
    /// Held for its `Drop`.
    _worker: Worker,
}

impl fmt::Debug for Watch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Watch").finish_non_exhaustive()
    }
}

/// Calls `changed` on a thread of its own when one of the files may have changed since this call: written, replaced,
/// removed, made, or reached by another link. It may be called once too often, and for a file that is only half
/// written; when the rest is there it is called again. The files need not be there yet.
///
/// # Errors
/// Only when no thread can be started. Without the kernel's events the slow look remains, and the log says so.
pub fn watch(files: &[PathBuf], changed: impl FnMut() + Send + 'static) -> io::Result<Watch> {
    start(files, true, PACE, changed)
}

fn start(
    files: &[PathBuf],
    with_events: bool,
    pace: Pace,
    changed: impl FnMut() + Send + 'static,
) -> io::Result<Watch> {
    let files: Vec<PathBuf> = files.iter().map(std::path::absolute).collect::<io::Result<_>>()?;
    let hints = Arc::new(Hints::default());
    let seen = Seen::of(&files);
    let events = with_events.then(|| Events::start(&seen, &hints, &[]));
    let worker = Worker::spawn("watch", move |stop| {
        *lock(&hints.thread) = Some(std::thread::current());
        Watching { files, hints, seen, pace, events, changed }.run(stop);
    })?;
    Ok(Watch { _worker: worker })
}

/// What the watcher's thread leaves for ours.
#[derive(Default)]
struct Hints {
    came: AtomicBool,
    /// The watcher lost events, or died.
    broken: AtomicBool,
    thread: Mutex<Option<std::thread::Thread>>,
}

impl Hints {
    fn wake(&self) {
        self.came.store(true, Ordering::Release);
        if let Some(thread) = &*lock(&self.thread) {
            thread.unpark();
        }
    }
}

struct Watching<F> {
    files: Vec<PathBuf>,
    hints: Arc<Hints>,
    seen: Seen,
    pace: Pace,
    events: Option<Events>,
    changed: F,
}

impl<F: FnMut()> Watching<F> {
    fn run(mut self, stop: &Stop) {
        // After a ceiling a write may have come within the same tick of the clock that stamps files, unseen by stamps.
        let mut unsure = false;
        while !stop.asked() {
            stop.wait(self.pace.slow_look, || self.hints.came.load(Ordering::Acquire));
            if stop.asked() {
                return;
            }
            let hinted = self.hints.came.load(Ordering::Acquire);
            let settled = self.settle(stop);
            let now = Seen::of(&self.files);
            let differs = now != self.seen;
            let broken = self.hints.broken.swap(false, Ordering::AcqRel);
            if let Some(events) = &mut self.events
                && (broken || !events.works() || !now.way().eq(self.seen.way()))
            {
                // Other folders are to be watched, or the watcher died. What happens while it is rebuilt shows in
                // the stamps, looked at once more because of this hint.
                *events = Events::start(&now, &self.hints, &events.errors);
                self.hints.wake();
            }
            self.seen = now;
            if differs || (unsure && hinted) {
                (self.changed)();
            }
            unsure = !settled;
        }
    }

    /// Waits until the hints are over. False when they were not by the ceiling.
    fn settle(&self, stop: &Stop) -> bool {
        let end = Instant::now() + self.pace.ceiling;
        while self.hints.came.swap(false, Ordering::AcqRel) {
            if stop.asked() || Instant::now() >= end {
                return false;
            }
            let left = end.saturating_duration_since(Instant::now());
            stop.wait(self.pace.quiet.min(left), || self.hints.came.load(Ordering::Acquire));
        }
        true
    }
}

/// The kernel's events for every place that the paths run through.
struct Events {
    /// None when it could not be started.
    watcher: Option<RecommendedWatcher>,
    errors: Vec<String>,
}

impl Events {
    /// Errors that were the same last time are not told again.
    fn start(seen: &Seen, hints: &Arc<Hints>, told: &[String]) -> Self {
        let places: BTreeSet<PathBuf> = seen.0.iter().map(|(place, _)| place.clone()).collect();
        let folders: BTreeSet<PathBuf> = places.iter().filter_map(|place| place.parent()).map(Into::into).collect();
        let mut errors = Vec::new();
        let its_hints = Arc::clone(hints);
        let handler = move |event: notify::Result<notify::Event>| match event {
            // Reading is no change, and we read.
            Ok(event) if is_read(event.kind) => {}
            Ok(event) if event.need_rescan() => {
                its_hints.broken.store(true, Ordering::Release);
                its_hints.wake();
            }
            Ok(event) => {
                if event.paths.iter().any(|path| places.contains(path)) {
                    its_hints.wake();
                }
            }
            Err(error) => {
                tracing::debug!(%error, "the file watcher");
                its_hints.broken.store(true, Ordering::Release);
                its_hints.wake();
            }
        };
        let mut watcher = match notify::recommended_watcher(handler) {
            Ok(watcher) => Some(watcher),
            Err(error) => {
                errors.push(error.to_string());
                None
            }
        };
        if let Some(watcher) = &mut watcher {
            for folder in folders.iter().filter(|folder| folder.is_dir()) {
                if let Err(error) = watcher.watch(folder, RecursiveMode::NonRecursive) {
                    errors.push(format!("{}: {error}", folder.display()));
                }
            }
        }
        for error in errors.iter().filter(|error| !told.contains(error)) {
            tracing::warn!(error, "a folder is not watched; changes in it are seen within {:?}", PACE.slow_look);
        }
        Self { watcher, errors }
    }

    fn works(&self) -> bool {
        self.watcher.is_some()
    }
}

fn is_read(kind: EventKind) -> bool {
    matches!(kind, EventKind::Access(access) if access != AccessKind::Close(AccessMode::Write))
}

/// Every place that the paths run through, with what stood there.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Seen(Vec<(PathBuf, Stamp)>);

/// What stands at a place. Two that are equal are taken to be the same.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Stamp {
    Nothing,
    Folder { device: u64, inode: u64 },
    Link { to: PathBuf, inode: u64 },
    File { device: u64, inode: u64, bytes: u64, written_ns: (i64, i64), changed_ns: (i64, i64) },
}

impl Seen {
    fn of(files: &[PathBuf]) -> Self {
        let mut seen = Self::default();
        for file in files {
            seen.follow(file);
        }
        seen
    }

    /// Where the paths run, without what the files hold: when this is the same, the same folders are to be watched.
    fn way(&self) -> impl Iterator<Item = (&Path, Option<&Stamp>)> {
        self.0.iter().map(|(place, stamp)| {
            (place.as_path(), Some(stamp).filter(|stamp| matches!(stamp, Stamp::Folder { .. } | Stamp::Link { .. })))
        })
    }

    /// Walks the path as the kernel does, and notes every place on the way.
    fn follow(&mut self, path: &Path) {
        let mut left: Vec<OsString> = names_reversed(path);
        let mut place = PathBuf::from("/");
        let mut links = 0;
        while let Some(name) = left.pop() {
            if name == ".." {
                place.pop();
                continue;
            }
            place.push(&name);
            let stamp = Stamp::of(&place);
            let next = stamp.clone();
            self.0.push((place.clone(), stamp));
            match next {
                Stamp::Folder { .. } => {}
                Stamp::Link { to, .. } => {
                    links += 1;
                    if links > LINKS {
                        return;
                    }
                    place.pop();
                    if to.is_absolute() {
                        place = PathBuf::from("/");
                    }
                    left.extend(names_reversed(&to));
                }
                Stamp::Nothing | Stamp::File { .. } => return,
            }
        }
    }
}

fn names_reversed(path: &Path) -> Vec<OsString> {
    let name = |component: Component<'_>| match component {
        Component::Normal(name) => Some(name.to_owned()),
        Component::ParentDir => Some("..".into()),
        Component::RootDir | Component::CurDir | Component::Prefix(_) => None,
    };
    path.components().rev().filter_map(name).collect()
}

impl Stamp {
    fn of(place: &Path) -> Self {
        let Ok(found) = place.symlink_metadata() else { return Self::Nothing };
        let (device, inode) = (found.dev(), found.ino());
        if found.is_symlink() {
            return fs::read_link(place).map_or(Self::Nothing, |to| Self::Link { to, inode });
        }
        if found.is_dir() {
            return Self::Folder { device, inode };
        }
        Self::File {
            device,
            inode,
            bytes: found.len(),
            written_ns: (found.mtime(), found.mtime_nsec()),
            changed_ns: (found.ctime(), found.ctime_nsec()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;
    use std::os::unix::fs::symlink;
    use std::sync::mpsc::{self, Receiver};

    const DEADLINE: Duration = Duration::from_secs(30);

    /// Longer than any test.
    const NEVER: Duration = Duration::from_secs(3600);

    /// What is seen at this pace is seen by events alone.
    const EVENTS: Pace = Pace { slow_look: NEVER, ..PACE };

    struct Watched {
        file: PathBuf,
        changes: Receiver<()>,
        _watch: Watch,
        folder: tempfile::TempDir,
    }

    /// A folder as `prepare` makes it, and a watch on `profile.toml` in it.
    fn watched(with_events: bool, pace: Pace, prepare: impl FnOnce(&Path)) -> Watched {
        let folder = tempfile::tempdir().expect("a folder");
        prepare(folder.path());
        let file = folder.path().join("profile.toml");
        let (tell, changes) = mpsc::channel();
        let changed = move || tell.send(()).unwrap_or_default();
        let watch = start(std::slice::from_ref(&file), with_events, pace, changed).expect("a thread");
        Watched { file, changes, _watch: watch, folder }
    }

    fn by_events(prepare: impl FnOnce(&Path)) -> Watched {
        watched(true, EVENTS, prepare)
    }

    fn with_file(folder: &Path) {
        fs::write(folder.join("profile.toml"), "first").expect("written");
    }

    impl Watched {
        /// Waits for a call after which the file reads so; None means that it is not there.
        fn until_reads(&self, expected: Option<&str>) {
            loop {
                self.changes.recv_timeout(DEADLINE).expect("a change is told");
                if fs::read_to_string(&self.file).ok().as_deref() == expected {
                    return;
                }
            }
        }

        fn path(&self, name: &str) -> PathBuf {
            self.folder.path().join(name)
        }

        fn rename_over(&self, text: &str) {
            fs::write(self.path(".profile.swp"), text).expect("written");
            fs::rename(self.path(".profile.swp"), &self.file).expect("renamed");
        }
    }

    #[test]
    fn a_new_file_renamed_over_the_old_is_seen_every_time() {
        let watched = by_events(with_file);
        for text in ["second", "third", "fourth"] {
            watched.rename_over(text);
            watched.until_reads(Some(text));
        }
    }

    #[test]
    fn a_write_in_place_is_seen_also_when_the_length_stays() {
        let watched = by_events(with_file);
        for text in ["other", "again", "a longer text"] {
            fs::write(&watched.file, text).expect("written");
            watched.until_reads(Some(text));
        }
    }

    #[test]
    fn a_file_deleted_and_made_again_is_seen_both_times() {
        let watched = by_events(with_file);
        for text in ["second", "third"] {
            fs::remove_file(&watched.file).expect("removed");
            watched.until_reads(None);
            fs::write(&watched.file, text).expect("written");
            watched.until_reads(Some(text));
        }
    }

    #[test]
    fn a_file_that_is_made_later_is_seen_with_its_folder() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("not/yet/profile.toml");
        let (tell, changes) = mpsc::channel();
        let watch = start(std::slice::from_ref(&file), true, EVENTS, move || tell.send(()).unwrap_or_default())
            .expect("a thread");
        fs::create_dir_all(folder.path().join("not/yet")).expect("made");
        changes.recv_timeout(DEADLINE).expect("the folder is seen");
        fs::write(&file, "there").expect("written");
        let watched = Watched { file, changes, _watch: watch, folder };
        watched.until_reads(Some("there"));
    }

    #[test]
    fn a_link_swapped_to_another_file_is_seen_and_that_file_is_watched_then() {
        let watched = by_events(|folder| {
            for show in ["matinee", "evening"] {
                fs::create_dir(folder.join(show)).expect("made");
                fs::write(folder.join(show).join("show.toml"), show).expect("written");
            }
            symlink("matinee/show.toml", folder.join("profile.toml")).expect("linked");
        });
        fs::write(watched.path("matinee/show.toml"), "matinee 2").expect("written");
        watched.until_reads(Some("matinee 2"));
        symlink("evening/show.toml", watched.path("new")).expect("linked");
        fs::rename(watched.path("new"), &watched.file).expect("renamed");
        watched.until_reads(Some("evening"));
        fs::write(watched.path("evening/show.toml"), "evening 2").expect("written");
        watched.until_reads(Some("evening 2"));
    }

    #[test]
    fn a_link_swapped_above_the_file_is_seen_each_time() {
        // As configuration is put in place by those who swap a whole folder at once.
        let watched = by_events(|folder| {
            fs::create_dir(folder.join("..1")).expect("made");
            fs::write(folder.join("..1/profile.toml"), "1").expect("written");
            symlink("..1", folder.join("..data")).expect("linked");
            symlink("..data/profile.toml", folder.join("profile.toml")).expect("linked");
        });
        for revision in 2..6 {
            let name = format!("..{revision}");
            fs::create_dir(watched.path(&name)).expect("made");
            fs::write(watched.path(&name).join("profile.toml"), revision.to_string()).expect("written");
            symlink(&name, watched.path("..data_tmp")).expect("linked");
            fs::rename(watched.path("..data_tmp"), watched.path("..data")).expect("renamed");
            fs::remove_dir_all(watched.path(&format!("..{}", revision - 1))).expect("removed");
            watched.until_reads(Some(&revision.to_string()));
        }
    }

    #[test]
    fn a_folder_replaced_by_another_is_seen_and_watched() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("show/profile.toml");
        fs::create_dir(folder.path().join("show")).expect("made");
        fs::write(&file, "first").expect("written");
        let (tell, changes) = mpsc::channel();
        let watch = start(std::slice::from_ref(&file), true, EVENTS, move || tell.send(()).unwrap_or_default())
            .expect("a thread");
        let watched = Watched { file, changes, _watch: watch, folder };
        fs::create_dir(watched.path("next")).expect("made");
        fs::write(watched.path("next/profile.toml"), "second").expect("written");
        fs::rename(watched.path("show"), watched.path("old")).expect("renamed");
        fs::rename(watched.path("next"), watched.path("show")).expect("renamed");
        watched.until_reads(Some("second"));
        fs::write(&watched.file, "third").expect("written");
        watched.until_reads(Some("third"));
    }

    #[test]
    fn a_file_half_written_is_told_again_when_it_is_whole() {
        let watched = by_events(with_file);
        let mut file = fs::File::create(&watched.file).expect("emptied");
        file.write_all(b"half").expect("written");
        watched.until_reads(Some("half"));
        file.write_all(b" and half").expect("written");
        watched.until_reads(Some("half and half"));
    }

    #[test]
    fn a_file_that_never_comes_to_rest_is_told_at_the_ceiling() {
        let pace = Pace { quiet: NEVER, ceiling: Duration::from_millis(50), slow_look: NEVER };
        let watched = watched(true, pace, with_file);
        let mut file = fs::File::create(&watched.file).expect("emptied");
        for text in ["a", "b", "c"] {
            file.write_all(text.as_bytes()).expect("written");
        }
        watched.until_reads(Some("abc"));
    }

    #[test]
    fn reading_and_neighbours_are_no_change() {
        let watched = by_events(with_file);
        for number in 0..20 {
            fs::write(watched.path(&format!("neighbour-{number}")), "x").expect("written");
            fs::read(&watched.file).expect("read");
        }
        watched.rename_over("second");
        watched.until_reads(Some("second"));
        // Whatever the neighbours would have caused came before the second rename is told.
        watched.rename_over("third");
        watched.changes.recv_timeout(DEADLINE).expect("told");
        assert_eq!(fs::read_to_string(&watched.file).expect("read"), "third", "the only call since is for this");
        assert_eq!(watched.changes.try_recv(), Err(mpsc::TryRecvError::Empty));
    }

    #[test]
    fn without_a_watcher_the_slow_look_still_sees_a_change() {
        let watched = watched(false, Pace { slow_look: Duration::from_millis(20), ..PACE }, with_file);
        for text in ["second", "third"] {
            watched.rename_over(text);
            watched.until_reads(Some(text));
        }
    }

    #[test]
    fn a_circle_of_links_is_no_endless_walk() {
        let watched = by_events(|folder| symlink("profile.toml", folder.join("profile.toml")).expect("linked"));
        fs::remove_file(&watched.file).expect("removed");
        fs::write(&watched.file, "no circle").expect("written");
        watched.until_reads(Some("no circle"));
    }
}
