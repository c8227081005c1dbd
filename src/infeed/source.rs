//! A file of the folder, as the system sees it, and the key that tells it from every other. Everything here blocks.

use std::ffi::{OsStr, OsString};
use std::fmt::Write as _;
use std::fs::{self, File, Metadata, OpenOptions};
use std::io::{self, Read};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use nix::errno::Errno;
use nix::fcntl::OFlag;
use sha2::{Digest, Sha256};

use super::settle::Observed;
use crate::store::sync_dir;

/// Bytes read at once.
pub(super) const CHUNK: usize = 256 * 1024;

/// Identity of a folder's file: the same key, the same drop.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct SourceKey {
    pub(super) sha256: String,
    pub(super) bytes: u64,
    pub(super) modified_ns: i128,
    pub(super) inode: u64,
    /// From the infeed folder on.
    pub(super) path: PathBuf,
}

/// What a look found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Look {
    File(Observed),
    Folder,
    /// Nothing, or something that is neither: a link, a socket, a device.
    Nothing,
}

impl SourceKey {
    pub(super) fn new(path: &Path, seen: &Observed, sha256: &str) -> Self {
        let path = path.to_owned();
        Self { sha256: sha256.to_owned(), bytes: seen.bytes, modified_ns: seen.modified_ns, inode: seen.inode, path }
    }

    /// As it is kept with the job: one line, the path last.
    pub(super) fn to_text(&self) -> String {
        let Self { sha256, bytes, modified_ns, inode, path } = self;
        format!("{sha256} {bytes} {modified_ns} {inode} {}", escape(path.as_os_str()))
    }

    pub(super) fn parse(text: &str) -> Option<Self> {
        let mut parts = text.splitn(5, ' ');
        let sha256 = parts.next()?.to_owned();
        let bytes = parts.next()?.parse().ok()?;
        let modified_ns = parts.next()?.parse().ok()?;
        let inode = parts.next()?.parse().ok()?;
        let path = PathBuf::from(unescape(parts.next()?)?);
        Some(Self { sha256, bytes, modified_ns, inode, path })
    }

    /// Whether the file at `path` is the one of this key. Reads it whole if it looks like it.
    pub(super) fn is_at(&self, path: &Path) -> io::Result<bool> {
        let Look::File(seen) = look(path)? else { return Ok(false) };
        let same = (self.bytes, self.modified_ns, self.inode) == (seen.bytes, seen.modified_ns, seen.inode);
        Ok(same && hash(path)? == self.sha256)
    }
}

/// Looks at a path without following links.
pub(super) fn look(path: &Path) -> io::Result<Look> {
    match fs::symlink_metadata(path) {
        Ok(found) if found.is_file() => Ok(Look::File(observed(&found))),
        Ok(found) if found.is_dir() => Ok(Look::Folder),
        Ok(_) => Ok(Look::Nothing),
        Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => Ok(Look::Nothing),
        Err(e) => Err(e),
    }
}

/// Opens a file that a look saw; `None` if something else is there now.
pub(super) fn open(path: &Path, seen: &Observed) -> io::Result<Option<File>> {
    // What was a file a moment ago may be a link or a pipe now: neither followed nor waited for.
    let flags = OFlag::O_NOFOLLOW | OFlag::O_NONBLOCK;
    let file = match OpenOptions::new().read(true).custom_flags(flags.bits()).open(path) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(e) if e.raw_os_error() == Some(Errno::ELOOP as i32) => return Ok(None),
        opened => opened?,
    };
    Ok(is_as_seen(&file, seen)?.then_some(file))
}

/// Whether an open file is still what a look saw.
pub(super) fn is_as_seen(file: &File, seen: &Observed) -> io::Result<bool> {
    let found = file.metadata()?;
    Ok(found.is_file() && observed(&found).is_same_content(seen))
}

/// Removes a file that a look saw, for good. `false` if something else is there now, which is left alone.
pub(super) fn remove(path: &Path, seen: &Observed) -> io::Result<bool> {
    match look(path)? {
        Look::File(now) if now.is_same_content(seen) => {}
        Look::File(_) | Look::Folder | Look::Nothing => return Ok(false),
    }
    fs::remove_file(path)?;
    // If the removal does not reach the disk before a power cut, the file's key keeps it from becoming a second job.
    path.parent().map_or(Ok(()), |dir| sync_dir(dir).map_err(io::Error::other))?;
    Ok(true)
}

fn observed(found: &Metadata) -> Observed {
    let ns = |seconds: i64, rest: i64| i128::from(seconds) * 1_000_000_000 + i128::from(rest);
    Observed {
        bytes: found.len(),
        modified_ns: ns(found.mtime(), found.mtime_nsec()),
        status_ns: ns(found.ctime(), found.ctime_nsec()),
        inode: found.ino(),
    }
}

fn hash(path: &Path) -> io::Result<String> {
    let mut file = OpenOptions::new().read(true).custom_flags(OFlag::O_NOFOLLOW.bits()).open(path)?;
    let (mut hasher, mut buffer) = (Sha256::new(), vec![0; CHUNK]);
    loop {
        match file.read(&mut buffer)? {
            0 => break,
            got => hasher.update(&buffer[..got]),
        }
    }
    Ok(hasher.finalize().iter().fold(String::new(), |mut hex, byte| {
        write!(hex, "{byte:02x}").expect("invariant: writing to a string cannot fail");
        hex
    }))
}

/// Any file name as printable text, and back: `%` and two hexadecimal digits for what is not.
fn escape(name: &OsStr) -> String {
    let mut text = String::new();
    for chunk in name.as_bytes().utf8_chunks() {
        for c in chunk.valid().chars() {
            if c.is_control() || c == '%' { escape_bytes(c.to_string().as_bytes(), &mut text) } else { text.push(c) }
        }
        escape_bytes(chunk.invalid(), &mut text);
    }
    text
}

fn escape_bytes(bytes: &[u8], text: &mut String) {
    for byte in bytes {
        write!(text, "%{byte:02x}").expect("invariant: writing to a string cannot fail");
    }
}

fn unescape(text: &str) -> Option<OsString> {
    let (mut bytes, mut rest) = (Vec::new(), text);
    while let Some((plain, escaped)) = rest.split_once('%') {
        bytes.extend(plain.as_bytes());
        bytes.push(u8::from_str_radix(escaped.get(..2)?, 16).ok()?);
        rest = &escaped[2..];
    }
    bytes.extend(rest.as_bytes());
    Some(OsString::from_vec(bytes))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn write(path: &Path, text: &str) -> Observed {
        fs::write(path, text).expect("written");
        let Look::File(seen) = look(path).expect("looked") else { panic!("no file at {}", path.display()) };
        seen
    }

    #[test]
    fn a_key_comes_back_from_its_text_whatever_the_name() {
        let seen = Observed { bytes: 7, modified_ns: -5, status_ns: 0, inode: u64::MAX };
        for name in [&b"east/tray clip 100%.gcode"[..], b"\xff\xfe\n.g", "größe \u{202e}.gcode".as_bytes(), b"%41"] {
            let key = SourceKey::new(Path::new(OsStr::from_bytes(name)), &seen, "ab12");
            let text = key.to_text();
            assert!(!text.contains('\n'), "{text}");
            assert_eq!(SourceKey::parse(&text), Some(key));
        }
        for bad in ["", "a b c d e", "ab 1 2", "ab 1 2 3 x%4"] {
            assert_eq!(SourceKey::parse(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_key_knows_its_file_by_content_too() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let path = dir.path().join("a");
        let seen = write(&path, "abc");
        // SHA-256 of "abc": FIPS 180-2, appendix B.1.
        let sha256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        let key = SourceKey::new(Path::new("a"), &seen, sha256);
        assert!(key.is_at(&path).expect("read"));
        let other = SourceKey { sha256: sha256.replace('b', "c"), ..key.clone() };
        assert!(!other.is_at(&path).expect("read"));
        assert!(!key.is_at(&dir.path().join("b")).expect("read"));
    }

    #[test]
    fn links_and_pipes_are_not_opened() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let (file, link, pipe) = (dir.path().join("file"), dir.path().join("link"), dir.path().join("pipe"));
        let seen = write(&file, "abc");
        std::os::unix::fs::symlink(&file, &link).expect("linked");
        nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::S_IRWXU).expect("a pipe");
        for path in [&link, &pipe, dir.path()] {
            assert!(!matches!(look(path).expect("looked"), Look::File(_)), "{}", path.display());
            assert!(open(path, &seen).expect("tried").is_none(), "{}", path.display());
        }
        assert!(open(&file, &seen).expect("tried").is_some());
    }

    #[test]
    fn another_file_of_the_same_name_is_neither_opened_nor_removed() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let path = dir.path().join("a");
        let seen = write(&path, "abc");
        write(&path, "abcd");
        assert!(open(&path, &seen).expect("tried").is_none());
        assert!(!remove(&path, &seen).expect("tried"));
        let now = write(&path, "abcde");
        assert!(remove(&path, &now).expect("tried"));
        assert_eq!(look(&path).expect("looked"), Look::Nothing);
        assert!(!remove(&path, &now).expect("nothing there"));
    }
}
