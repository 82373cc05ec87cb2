//! A few small files in one ordinary archive (tar, POSIX.1-1988 "ustar"), which any other program can open.
//!
//! What is read may come from anybody: only plain files side by side are taken, of a bounded size and number. An entry that
//! would leave the folder (an absolute name, `..`, a link, a device) refuses the whole archive.

use std::io::{self, Read};
use std::path::Component;
use std::time::{SystemTime, UNIX_EPOCH};
use tar::{Archive, Builder, EntryType, Header};

/// Files in one archive.
pub const FILES_MAX: usize = 128;
/// Bytes of one file.
pub const FILE_BYTES_MAX: usize = crate::profile::FILE_BYTES_MAX;
/// Bytes of a name: what an ustar header holds.
pub const NAME_BYTES_MAX: usize = 100;
/// Bytes of a whole archive.
pub const ARCHIVE_BYTES_MAX: usize = 64 * 1024 * 1024;

/// A file of an archive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Packed {
    /// Its name, without any folder.
    pub name: String,
    /// What is in it.
    pub bytes: Vec<u8>,
}

/// Whether a file of this name may stand in an archive: one name, without folders, not hidden.
#[must_use]
pub fn is_sound_name(name: &str) -> bool {
    !name.is_empty()
        && name.len() <= NAME_BYTES_MAX
        && !name.starts_with('.')
        && !name.chars().any(|c| c == '/' || c == '\\' || c.is_control())
}

/// The archive of these files. They belong to nobody in it, and everybody may read them.
///
/// # Errors
/// A name that [`is_sound_name`] refuses.
pub fn write(files: &[Packed]) -> io::Result<Vec<u8>> {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
    let mut builder = Builder::new(Vec::new());
    for Packed { name, bytes } in files {
        if !is_sound_name(name) {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, format!("{name:?} is no name for an archive")));
        }
        let mut header = Header::new_ustar();
        header.set_size(bytes.len() as u64);
        header.set_mode(0o644);
        header.set_mtime(now);
        builder.append_data(&mut header, name, &**bytes)?;
    }
    builder.into_inner()
}

/// The files of an archive, in their order.
///
/// # Errors
/// What is wrong with the archive, in words.
pub fn read(reader: impl Read) -> Result<Vec<Packed>, String> {
    let mut whole = Vec::new();
    let taken = reader.take(ARCHIVE_BYTES_MAX as u64 + 1).read_to_end(&mut whole);
    taken.map_err(|error| error.to_string())?;
    if whole.len() > ARCHIVE_BYTES_MAX {
        return Err(format!("it is larger than {ARCHIVE_BYTES_MAX} bytes"));
    }
    // What the reader says holds the bytes that it found, which are nobody's text.
    let damaged = |_: io::Error| "it is no tar archive, or a damaged one".to_owned();
    let mut files: Vec<Packed> = Vec::new();
    for entry in Archive::new(&*whole).entries().map_err(damaged)? {
        let mut entry = entry.map_err(damaged)?;
        let shown = String::from_utf8_lossy(&entry.path_bytes()).into_owned();
        let refuse = |why: &str| Err(format!("entry {shown:?} {why}"));
        let path = entry.path().map_err(damaged)?.into_owned();
        let mut parts = Vec::new();
        for part in path.components() {
            match part {
                // People pack a folder with "tar -cf house.tar ./rig.toml".
                Component::CurDir => {}
                Component::Normal(name) => parts.push(name.to_owned()),
                _ => return refuse("leaves the folder"),
            }
        }
        let kind = entry.header().entry_type();
        match kind {
            EntryType::Regular | EntryType::Continuous => {}
            EntryType::Directory if parts.is_empty() => continue,
            EntryType::Directory => return refuse("is a folder; the files of a pack lie side by side"),
            EntryType::Link | EntryType::Symlink => return refuse("is a link, which could leave the folder"),
            _ => return refuse("is no plain file"),
        }
        let name = match &parts[..] {
            [name] => name.to_str().filter(|name| is_sound_name(name)).map(str::to_owned),
            _ => None,
        };
        let Some(name) = name else { return refuse("has a name that is not taken: one plain name without folders") };
        let size = entry.size();
        if size > FILE_BYTES_MAX as u64 {
            return refuse(&format!("has {size} bytes; a file has at most {FILE_BYTES_MAX}"));
        }
        if files.iter().any(|other| other.name == name) {
            return refuse("is there twice");
        }
        if files.len() == FILES_MAX {
            return Err(format!("it has more than {FILES_MAX} files"));
        }
        let mut bytes = Vec::new();
        entry.read_to_end(&mut bytes).map_err(damaged)?;
        if bytes.len() as u64 != size {
            return refuse("is cut off");
        }
        files.push(Packed { name, bytes });
    }
    if files.is_empty() { Err("it holds no file, or is no tar archive".to_owned()) } else { Ok(files) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packed(name: &str, bytes: &[u8]) -> Packed {
        Packed { name: name.to_owned(), bytes: bytes.to_vec() }
    }

    /// An archive with one entry whose name and kind are not ours to choose.
    fn planted(name: &[u8], kind: EntryType, link: &str) -> Vec<u8> {
        let mut header = Header::new_ustar();
        header.as_mut_bytes()[..name.len()].copy_from_slice(name);
        header.set_entry_type(kind);
        if !link.is_empty() {
            header.set_link_name(link).expect("short");
        }
        header.set_size(0);
        header.set_cksum();
        let mut builder = Builder::new(Vec::new());
        builder.append(&header, io::empty()).expect("into memory");
        builder.into_inner().expect("into memory")
    }

    #[test]
    fn what_was_written_is_read_and_lies_where_the_standard_says() {
        let files = [packed("rig.toml", b"form = 1\n"), packed("großer saal.toml", b"")];
        let archive = write(&files).expect("sound");
        assert_eq!(read(&*archive), Ok(files.to_vec()));
        // POSIX.1-1988 ustar: name at 0, size in octal at 124, "ustar" at 257, contents after 512 bytes.
        assert_eq!((&archive[..9], &archive[257..263]), (&b"rig.toml\0"[..], &b"ustar\0"[..]));
        assert_eq!((&archive[124..135], &archive[512..521]), (&b"00000000011"[..], &b"form = 1\n"[..]));
    }

    #[test]
    fn what_leaves_the_folder_or_is_no_plain_file_is_refused() {
        for (name, kind, link, why) in [
            (&b"/etc/passwd"[..], EntryType::Regular, "", "leaves the folder"),
            (b"../rig.toml", EntryType::Regular, "", "leaves the folder"),
            (b"a/../../rig.toml", EntryType::Regular, "", "leaves the folder"),
            (b"rig.toml", EntryType::Symlink, "/etc/passwd", "is a link"),
            (b"rig.toml", EntryType::Link, "panel.toml", "is a link"),
            (b"rig.toml", EntryType::Fifo, "", "no plain file"),
            (b"rig.toml", EntryType::Char, "", "no plain file"),
            (b"folder", EntryType::Directory, "", "is a folder"),
            (b"folder/rig.toml", EntryType::Regular, "", "name that is not taken"),
            (b".bashrc", EntryType::Regular, "", "name that is not taken"),
            (b"rig\n.toml", EntryType::Regular, "", "name that is not taken"),
            (b"\xff.toml", EntryType::Regular, "", "name that is not taken"),
        ] {
            let refused = read(&*planted(name, kind, link)).expect_err("refused");
            assert!(refused.contains(why), "{}: {refused}", String::from_utf8_lossy(name));
        }
        assert_eq!(read(&*planted(b"./rig.toml", EntryType::Regular, "")), Ok(vec![packed("rig.toml", b"")]));
    }

    #[test]
    fn sizes_and_numbers_are_bounded_and_damage_is_told() {
        let many: Vec<Packed> = (0..=FILES_MAX).map(|n| packed(&format!("{n}.toml"), b"")).collect();
        assert!(read(&*write(&many).expect("sound")).is_err_and(|why| why.contains("more than 128")));
        let large = write(&[packed("a", &vec![0; FILE_BYTES_MAX + 1])]).expect("sound");
        assert!(read(&*large).is_err_and(|why| why.contains("at most")));
        assert!(read(io::repeat(b'x')).is_err_and(|why| why.contains("larger than")));
        let twice = write(&[packed("a", b"1"), packed("a", b"2")]).expect("sound");
        assert!(read(&*twice).is_err_and(|why| why.contains("twice")));
        let whole = write(&[packed("a", &[b'1'; 2000])]).expect("sound");
        assert!(read(&whole[..1000]).is_err(), "cut off");
        let mut bent = whole;
        bent[0] ^= 1;
        assert!(read(&*bent).is_err(), "its checksum is wrong");
        for nothing in [&b""[..], b"form = 1\n", &[0; 1024]] {
            assert!(read(nothing).is_err());
        }
        assert!(write(&[packed("../x", b"")]).is_err());
    }
}
