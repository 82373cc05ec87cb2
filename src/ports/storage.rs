//! Files that survive a power cut: written whole or not at all, with old revisions kept, and lines that stay readable
//! when the last of them was torn.
//!
//! Nothing here may be called from an audio callback: every write waits for the disk.

use std::ffi::{OsStr, OsString};
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

/// Longest line that is written and read back, newline included: a line of the journal may hold three whole files.
pub const LINE_BYTES: usize = crate::desk::journal::LINE_BYTES_MAX;

static WRITTEN: AtomicU64 = AtomicU64::new(0);

/// Bytes that this process has written by the means of this module since its start, for people who keep their state on a
/// card. The file system's own records come on top.
#[must_use]
pub fn bytes_written() -> u64 {
    WRITTEN.load(Relaxed)
}

fn count(bytes: usize) {
    WRITTEN.fetch_add(bytes as u64, Relaxed);
}

/// Replaces a file that may be lost or torn in a power cut; nobody waits for the disk.
///
/// # Errors
/// Whatever the file system says.
pub fn write_carelessly(path: &Path, bytes: &[u8]) -> io::Result<()> {
    fs::write(path, bytes)?;
    count(bytes.len());
    Ok(())
}

/// Replaces the file's contents in one step: after a crash at any instant it holds either all the old or all the new
/// bytes. A link is followed, and an existing file's permissions are kept. On return the bytes are on the disk.
///
/// Writers of one folder take turns by a lock on it.
///
/// # Errors
/// Whatever the file system says; the old contents are then still in force.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> io::Result<()> {
    // A link stays a link: what it points to is replaced.
    let path = &fs::canonicalize(path).or_else(|error| match error.kind() {
        io::ErrorKind::NotFound if path.symlink_metadata().is_err() => Ok(path.to_owned()),
        _ => Err(error),
    })?;
    let (folder, name) = parts(path)?;
    let held = File::open(folder)?;
    held.lock()?;
    // One name for all attempts: what a killed writer left is overwritten, never piled up.
    let new = folder.join(concat(&[OsStr::new("."), name, OsStr::new(".new")]));
    let written = write_new(&new, path, bytes);
    if written.is_err() {
        // Often the disk is full; the error is what matters.
        drop(fs::remove_file(&new));
    }
    written?;
    held.sync_all()
}

fn write_new(new: &Path, path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).open(new)?;
    if let Ok(old) = fs::metadata(path) {
        file.set_permissions(old.permissions())?;
    }
    file.write_all(bytes)?;
    count(bytes.len());
    file.sync_all()?;
    fs::rename(new, path)
}

/// Writes several files: all of them, or none when one cannot be written (a power cut between two of them aside). Without
/// `replace` a file that is there, even one that appears meanwhile, is an error.
///
/// # Errors
/// Which file, and why, in words; what was there before is there again.
pub fn write_all(files: &[(&Path, &[u8])], replace: bool) -> Result<(), String> {
    let mut before: Vec<(&Path, Option<Vec<u8>>)> = Vec::new();
    for (path, bytes) in files {
        let old = if replace { fs::read(path).ok() } else { None };
        let written = if replace { write_atomically(path, bytes) } else { create(path, bytes) };
        if let Err(error) = written {
            for (path, old) in before.into_iter().rev() {
                // What cannot be put back is less than the error that is told.
                drop(old.map_or_else(|| fs::remove_file(path), |old| write_atomically(path, &old)));
            }
            return Err(match error.kind() {
                io::ErrorKind::AlreadyExists => format!("{} is there already and stays as it is", path.display()),
                _ => format!("{}: {error}", path.display()),
            });
        }
        before.push((path, old));
    }
    Ok(())
}

/// Writes a file that is not there yet, whole or not at all.
fn create(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let (folder, name) = parts(path)?;
    let held = File::open(folder)?;
    held.lock()?;
    let new = folder.join(concat(&[OsStr::new("."), name, OsStr::new(".new")]));
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).open(&new)?;
    // A second name for a file is only given where there is none, in one step.
    let named = file.write_all(bytes).and_then(|()| file.sync_all()).and_then(|()| fs::hard_link(&new, path));
    drop(fs::remove_file(&new));
    match named {
        // A file system without second names, as on a memory card: new all the same, if not in one step.
        Err(error) if matches!(error.kind(), io::ErrorKind::PermissionDenied | io::ErrorKind::Unsupported) => {
            let mut file = OpenOptions::new().write(true).create_new(true).open(path)?;
            file.write_all(bytes).and_then(|()| file.sync_all()).inspect_err(|_| drop(fs::remove_file(path)))?;
        }
        named => named?,
    }
    count(bytes.len());
    held.sync_all()
}

fn parts(path: &Path) -> io::Result<(&Path, &OsStr)> {
    let name = path.file_name().ok_or_else(|| io::Error::new(io::ErrorKind::InvalidInput, "not a file's name"))?;
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    Ok((folder, name))
}

fn concat(pieces: &[&OsStr]) -> OsString {
    let mut whole = OsString::new();
    for piece in pieces {
        whole.push(piece);
    }
    whole
}

/// Files of one kind in one folder, numbered upwards: `STEM-000001.EXTENSION`.
#[derive(Clone, Debug)]
pub struct Numbered {
    folder: PathBuf,
    stem: String,
    extension: String,
}

impl Numbered {
    /// Makes the folder if it is not there.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn new(folder: &Path, stem: &str, extension: &str) -> io::Result<Self> {
        fs::create_dir_all(folder)?;
        Ok(Self { folder: folder.to_owned(), stem: stem.to_owned(), extension: extension.to_owned() })
    }

    /// Numbers and paths, oldest first.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn list(&self) -> io::Result<Vec<(u64, PathBuf)>> {
        let mut found = Vec::new();
        for entry in fs::read_dir(&self.folder)? {
            let entry = entry?;
            if let Some(number) = entry.file_name().to_str().and_then(|name| self.number_of(name)) {
                found.push((number, entry.path()));
            }
        }
        found.sort_unstable();
        Ok(found)
    }

    fn number_of(&self, name: &str) -> Option<u64> {
        let digits = name.strip_prefix(&*self.stem)?.strip_prefix('-')?;
        let digits = digits.strip_suffix(&*self.extension)?.strip_suffix('.')?;
        digits.bytes().all(|byte| byte.is_ascii_digit()).then(|| digits.parse().ok())?
    }

    fn path_of(&self, number: u64) -> PathBuf {
        self.folder.join(format!("{}-{number:06}.{}", self.stem, self.extension))
    }

    /// Removes the oldest until `keep` are left.
    fn prune(&self, keep: usize) -> io::Result<()> {
        let found = self.list()?;
        for (_, path) in found.iter().take(found.len().saturating_sub(keep)) {
            fs::remove_file(path)?;
        }
        Ok(())
    }
}

/// The last accepted revisions of one file, as whole files of their own.
#[derive(Clone, Debug)]
pub struct Revisions {
    files: Numbered,
    keep: usize,
}

impl Revisions {
    /// At most `keep` revisions (at least 1) under this stem in the folder.
    ///
    /// # Errors
    /// When the folder cannot be made.
    pub fn open(folder: &Path, stem: &str, extension: &str, keep: usize) -> io::Result<Self> {
        Ok(Self { files: Numbered::new(folder, stem, extension)?, keep: keep.max(1) })
    }

    /// Keeps these bytes as the newest revision and gives its number, which counts from 1 and is never used twice.
    /// Bytes that equal the newest revision's are not kept again.
    ///
    /// # Errors
    /// Whatever the file system says; older revisions are then untouched.
    pub fn keep(&self, bytes: &[u8]) -> io::Result<u64> {
        let newest = self.files.list()?.pop();
        if let Some((number, path)) = &newest
            && fs::read(path).is_ok_and(|kept| kept == bytes)
        {
            return Ok(*number);
        }
        let number = newest.map_or(1, |(number, _)| number + 1);
        write_atomically(&self.files.path_of(number), bytes)?;
        self.files.prune(self.keep)?;
        Ok(number)
    }

    /// The newest revision that can be read.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn newest(&self) -> io::Result<Option<(u64, Vec<u8>)>> {
        let found = self.files.list()?;
        Ok(found.into_iter().rev().find_map(|(number, path)| Some((number, fs::read(path).ok()?))))
    }

    /// Numbers and paths, oldest first.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn list(&self) -> io::Result<Vec<(u64, PathBuf)>> {
        self.files.list()
    }
}

/// Lines that are only ever added, in files that roll over by size: at most `keep` files of about `limit_bytes` each.
#[derive(Debug)]
pub struct LineLog {
    files: Numbered,
    limit_bytes: u64,
    keep: usize,
    number: u64,
    file: File,
    /// Bytes of whole lines in the file.
    length: u64,
    cut_bytes: u64,
}

impl LineLog {
    /// Goes on with the newest file, after cutting a last line that a crash tore.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn open(folder: &Path, stem: &str, extension: &str, limit_bytes: u64, keep: usize) -> io::Result<Self> {
        let files = Numbered::new(folder, stem, extension)?;
        let number = files.list()?.last().map_or(1, |(number, _)| *number);
        let (file, length, cut_bytes) = open_for_lines(&files.path_of(number))?;
        sync_folder(&files.folder)?;
        Ok(Self { files, limit_bytes, keep: keep.max(1), number, file, length, cut_bytes })
    }

    /// Bytes of a torn last line that opening cut off.
    #[must_use]
    pub fn cut_bytes(&self) -> u64 {
        self.cut_bytes
    }

    /// Adds one line, without its newline. It is on the disk after the next [`LineLog::sync`].
    ///
    /// # Errors
    /// A line that holds a newline or is longer than [`LINE_BYTES`], or whatever the file system says; the lines
    /// before it stay whole, and the next append may succeed.
    pub fn append(&mut self, line: &str) -> io::Result<()> {
        if line.contains('\n') || line.len() >= LINE_BYTES {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, "not one line, or too long a line"));
        }
        let bytes = line.len() as u64 + 1;
        if self.length > 0 && self.length + bytes > self.limit_bytes {
            self.roll()?;
        }
        let mut whole = Vec::with_capacity(line.len() + 1);
        whole.extend_from_slice(line.as_bytes());
        whole.push(b'\n');
        if let Err(error) = self.file.write_all(&whole) {
            // Part of it may be there: cut back to whole lines, or else the next line would grow onto it.
            self.file.set_len(self.length)?;
            return Err(error);
        }
        self.length += bytes;
        count(whole.len());
        Ok(())
    }

    /// Waits until every line is on the disk.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn sync(&self) -> io::Result<()> {
        self.file.sync_data()
    }

    /// The files there are, oldest first; each is read with [`read_lines`].
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn list(&self) -> io::Result<Vec<(u64, PathBuf)>> {
        self.files.list()
    }

    fn roll(&mut self) -> io::Result<()> {
        self.sync()?;
        let number = self.number + 1;
        let (file, length, _) = open_for_lines(&self.files.path_of(number))?;
        sync_folder(&self.files.folder)?;
        (self.file, self.length, self.number) = (file, length, number);
        self.files.prune(self.keep)
    }
}

fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

/// The file, how long its whole lines are, and how many bytes of a torn one were cut.
fn open_for_lines(path: &Path) -> io::Result<(File, u64, u64)> {
    let mut file = OpenOptions::new().read(true).append(true).create(true).open(path)?;
    let length = file.metadata()?.len();
    let whole = whole_length(&mut file, length)?;
    if whole < length {
        file.set_len(whole)?;
    }
    Ok((file, whole, length - whole))
}

/// Where the last newline ends.
fn whole_length(file: &mut File, length: u64) -> io::Result<u64> {
    let mut block = [0; 4096];
    let mut end = length;
    while end > 0 {
        let size = end.min(block.len() as u64);
        file.seek(SeekFrom::Start(end - size))?;
        #[expect(clippy::cast_possible_truncation, reason = "at most 4096")]
        let block = &mut block[..size as usize];
        file.read_exact(block)?;
        if let Some(place) = block.iter().rposition(|byte| *byte == b'\n') {
            return Ok(end - size + place as u64 + 1);
        }
        end -= size;
    }
    Ok(0)
}

/// What stands at one place of a file of lines.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Line {
    /// A whole line, without its newline.
    Whole(String),
    /// So many bytes at this place are no line: they are not text, hold a zero byte (a power cut can leave
    /// blocks of them), or are too long.
    Damaged {
        /// Bytes from the start of the file.
        offset: u64,
        /// How many.
        bytes: u64,
    },
    /// The last line has no newline: it was torn while it was written.
    Torn {
        /// Bytes from the start of the file.
        offset: u64,
        /// How many.
        bytes: u64,
    },
}

/// Reads a file of lines one by one. What is no line is reported in its place, and reading goes on after it.
///
/// # Errors
/// When the file cannot be opened.
pub fn read_lines(path: &Path) -> io::Result<Lines> {
    Ok(Lines { reader: BufReader::new(File::open(path)?), offset: 0 })
}

/// Lines of a file, in order.
#[derive(Debug)]
pub struct Lines {
    reader: BufReader<File>,
    offset: u64,
}

impl Iterator for Lines {
    type Item = io::Result<Line>;

    fn next(&mut self) -> Option<Self::Item> {
        self.read().transpose()
    }
}

impl Lines {
    fn read(&mut self) -> io::Result<Option<Line>> {
        let offset = self.offset;
        let mut line = Vec::new();
        let mut bytes = (&mut self.reader).take(LINE_BYTES as u64).read_until(b'\n', &mut line)? as u64;
        if bytes == 0 {
            return Ok(None);
        }
        let too_long = bytes == LINE_BYTES as u64 && line.last() != Some(&b'\n');
        let mut ended = line.last() == Some(&b'\n');
        while too_long && !ended {
            // Skipped in pieces, so that no damage can ask for more memory.
            line.clear();
            let more = (&mut self.reader).take(LINE_BYTES as u64).read_until(b'\n', &mut line)? as u64;
            bytes += more;
            ended = more == 0 || line.last() == Some(&b'\n');
        }
        self.offset += bytes;
        if line.last() != Some(&b'\n') {
            return Ok(Some(Line::Torn { offset, bytes }));
        }
        line.pop();
        Ok(Some(match String::from_utf8(line) {
            Ok(text) if !too_long && !text.contains('\0') => Line::Whole(text),
            _ => Line::Damaged { offset, bytes },
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::{PermissionsExt, symlink};

    fn folder() -> tempfile::TempDir {
        tempfile::tempdir().expect("a folder")
    }

    #[test]
    fn a_write_keeps_links_and_permissions_and_leaves_nothing_beside_it() {
        let folder = folder();
        let (real, link) = (folder.path().join("real.toml"), folder.path().join("link.toml"));
        write_atomically(&real, b"one").expect("written");
        fs::set_permissions(&real, fs::Permissions::from_mode(0o640)).expect("set");
        symlink("real.toml", &link).expect("linked");
        fs::write(folder.path().join(".real.toml.new"), "left by a writer that was killed").expect("written");
        write_atomically(&link, b"two").expect("written");
        assert_eq!(fs::read(&real).expect("read"), b"two");
        assert!(link.symlink_metadata().expect("there").is_symlink());
        assert_eq!(real.metadata().expect("there").permissions().mode() & 0o777, 0o640);
        assert_eq!(fs::read_dir(folder.path()).expect("read").count(), 2);
    }

    #[test]
    fn a_write_that_cannot_be_is_an_error_and_changes_nothing() {
        let folder = folder();
        let (dangling, missing) = (folder.path().join("link"), folder.path().join("no/such/file"));
        symlink("/nowhere/at/all", &dangling).expect("linked");
        for path in [&dangling, &missing, folder.path()] {
            assert!(write_atomically(path, b"x").is_err(), "{path:?}");
        }
        assert_eq!(fs::read_dir(folder.path()).expect("read").count(), 1);
    }

    #[test]
    fn several_files_are_written_together_or_not_at_all() {
        let folder = folder();
        let [one, two, three] = ["one", "two", "three"].map(|name| folder.path().join(name));
        fs::write(&two, "old").expect("written");
        let files: [(&Path, &[u8]); 3] = [(&one, b"1"), (&two, b"2"), (&three, b"3")];
        assert!(write_all(&files, false).is_err_and(|why| why.contains("is there already")));
        assert!(!one.exists() && !three.exists() && fs::read(&two).expect("there") == b"old");
        write_all(&files, true).expect("written");
        assert_eq!(fs::read(&two).expect("there"), b"2");
        // One that cannot be: what was there before comes back, what was not goes.
        fs::remove_file(&three).expect("removed");
        fs::create_dir(&three).expect("made");
        let others: [(&Path, &[u8]); 3] = [(&one, b"x"), (&two, b"y"), (&three, b"z")];
        assert!(write_all(&others, true).is_err());
        assert_eq!((fs::read(&one).expect("there"), fs::read(&two).expect("there")), (b"1".to_vec(), b"2".to_vec()));
        assert_eq!(fs::read_dir(folder.path()).expect("read").count(), 3, "and nothing is left beside them");
        // A link into nowhere counts as there.
        let link = folder.path().join("link");
        symlink("/nowhere/at/all", &link).expect("linked");
        assert!(write_all(&[(&link, b"x")], false).is_err());
    }

    #[test]
    fn revisions_count_upwards_and_only_so_many_are_kept() {
        let folder = folder();
        let revisions = Revisions::open(folder.path(), "profile", "toml", 3).expect("opened");
        assert_eq!(revisions.newest().expect("read"), None);
        fs::write(folder.path().join("profile-x.toml"), "not ours").expect("written");
        for number in 1..=5_u64 {
            assert_eq!(revisions.keep(format!("{number}").as_bytes()).expect("kept"), number);
        }
        assert_eq!(revisions.keep(b"5").expect("kept"), 5, "the same is not kept twice");
        let numbers: Vec<u64> = revisions.list().expect("read").iter().map(|(number, _)| *number).collect();
        assert_eq!(numbers, [3, 4, 5]);
        assert_eq!(revisions.newest().expect("read"), Some((5, b"5".to_vec())));
    }

    #[test]
    fn a_torn_last_line_is_reported_by_readers_and_cut_by_the_next_writer() {
        let folder = folder();
        let mut log = LineLog::open(folder.path(), "journal", "jsonl", 1 << 20, 4).expect("opened");
        log.append("{\"frame\": 1}").expect("appended");
        log.append("{\"frame\": 2}").expect("appended");
        log.sync().expect("synced");
        let path = log.list().expect("read")[0].1.clone();
        let whole = fs::read(&path).expect("read");
        drop(log);
        // Every place where a crash could have torn the second line.
        for cut in 14..whole.len() {
            fs::write(&path, &whole[..cut]).expect("written");
            let lines: Vec<Line> = read_lines(&path).expect("opened").map(|line| line.expect("read")).collect();
            let torn = Line::Torn { offset: 13, bytes: cut as u64 - 13 };
            assert_eq!(lines, [Line::Whole("{\"frame\": 1}".into()), torn]);
            let mut log = LineLog::open(folder.path(), "journal", "jsonl", 1 << 20, 4).expect("opened");
            assert_eq!(log.cut_bytes(), cut as u64 - 13);
            log.append("after").expect("appended");
            assert_eq!(fs::read(&path).expect("read"), [&whole[..13], b"after\n"].concat());
        }
    }

    #[test]
    fn damage_in_the_middle_is_reported_and_reading_goes_on() {
        let folder = folder();
        let path = folder.path().join("lines");
        let long = vec![b'a'; LINE_BYTES + 10];
        fs::write(&path, [b"one\n\0\0\0\n\xFF\xFE\n", &long[..], b"\n\ntwo\n"].concat()).expect("written");
        let lines: Vec<Line> = read_lines(&path).expect("opened").map(|line| line.expect("read")).collect();
        assert_eq!(
            lines,
            [
                Line::Whole("one".into()),
                Line::Damaged { offset: 4, bytes: 4 },
                Line::Damaged { offset: 8, bytes: 3 },
                Line::Damaged { offset: 11, bytes: LINE_BYTES as u64 + 11 },
                Line::Whole(String::new()),
                Line::Whole("two".into()),
            ]
        );
    }

    #[test]
    fn files_of_lines_roll_by_size_and_stay_bounded_in_number() {
        let folder = folder();
        let mut log = LineLog::open(folder.path(), "journal", "jsonl", 100, 3).expect("opened");
        for number in 0..50 {
            log.append(&format!("line {number:03} 0123456789")).expect("appended"); // 20 bytes with its newline
        }
        assert!(log.append("two\nlines").is_err());
        log.append(&"x".repeat(500)).expect("a line over the limit has a file of its own");
        let files = log.list().expect("read");
        assert_eq!(files.iter().map(|(number, _)| *number).collect::<Vec<_>>(), [9, 10, 11]);
        let mut lines = Vec::new();
        for (_, path) in &files {
            lines.extend(read_lines(path).expect("opened").map(|line| line.expect("read")));
        }
        assert_eq!(lines.len(), 11);
        assert_eq!(lines[0], Line::Whole("line 040 0123456789".into()));
        drop(log);
        let mut log = LineLog::open(folder.path(), "journal", "jsonl", 100, 3).expect("opened");
        log.append("goes on").expect("appended");
        assert_eq!(log.list().expect("read").last().expect("one").0, 12);
    }

    /// Set in the process that writes until it is killed.
    const WRITER: &str = "LONGTHROW_TEST_WRITER";

    /// Contents that show whether they are whole: a number, and as many repetitions of it as it says.
    fn contents(number: u32) -> Vec<u8> {
        let count = number % 20_000 + 1;
        let mut bytes = format!("{number} {count}\n").into_bytes();
        for _ in 0..count {
            bytes.extend_from_slice(&number.to_le_bytes());
        }
        bytes
    }

    fn number_in(bytes: &[u8]) -> u32 {
        let text = bytes.split(|byte| *byte == b' ').next().expect("a first word");
        let number = String::from_utf8_lossy(text).parse().expect("a number");
        assert!(bytes == contents(number), "revision {number} is not whole: {} bytes", bytes.len());
        number
    }

    #[test]
    fn a_writer_that_is_killed_at_any_moment_leaves_a_whole_file() {
        if let Some(path) = std::env::var_os(WRITER) {
            let path = PathBuf::from(path);
            let mut number = number_in(&fs::read(&path).expect("read"));
            loop {
                number = number.wrapping_add(7_919);
                write_atomically(&path, &contents(number)).expect("written");
            }
        }
        let folder = folder();
        let path = folder.path().join("state");
        write_atomically(&path, &contents(0)).expect("written");
        let mut deaths_in_a_write = 0;
        for round in 0..50_u32 {
            let before = fs::read(&path).expect("read");
            let mut writer = std::process::Command::new(std::env::current_exe().expect("this test"))
                .args(["--exact", "ports::storage::tests::a_writer_that_is_killed_at_any_moment_leaves_a_whole_file"])
                .env(WRITER, &path)
                .stdout(std::process::Stdio::null())
                .spawn()
                .expect("the writer starts");
            // It is at work once the file changes; then it dies at a moment that moves through its cycle.
            while fs::read(&path).expect("always there") == before {
                assert!(writer.try_wait().expect("its state").is_none(), "the writer ended by itself");
            }
            std::thread::sleep(std::time::Duration::from_micros(u64::from(round) * 137));
            writer.kill().expect("killed");
            writer.wait().expect("dead");
            number_in(&fs::read(&path).expect("readable"));
            deaths_in_a_write += u32::from(folder.path().join(".state.new").exists());
        }
        eprintln!("{deaths_in_a_write} of 50 died in the middle of a write");
        assert!(deaths_in_a_write > 0, "no writer died in a write: nothing was tried");
    }
}
