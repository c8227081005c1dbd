//! The key for those who are not at this machine: made once, kept in the data folder.

use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use super::start::NotStarted;

const FILE: &str = "key";
/// 128 bits: nobody guesses that over a network.
const BYTES: usize = 16;

/// The key of this data folder; made at random if there is none yet. Only its owner may read the file.
pub(super) fn read_or_make(data: &Path) -> Result<String, NotStarted> {
    let path = data.join(FILE);
    match fs::read_to_string(&path) {
        Ok(text) if text.trim().len() == BYTES * 2 && text.trim().bytes().all(|b| b.is_ascii_hexdigit()) => {
            Ok(text.trim().to_owned())
        }
        Ok(_) => Err(NotStarted(format!(
            "{} is not a key of {} hexadecimal digits; remove it, and a new one is made",
            path.display(),
            BYTES * 2
        ))),
        Err(error) if error.kind() == ErrorKind::NotFound => {
            make(&path).map_err(|error| NotStarted(format!("the key {} cannot be made: {error}", path.display())))
        }
        Err(error) => Err(NotStarted(format!("the key {} cannot be read: {error}", path.display()))),
    }
}

fn make(path: &Path) -> io::Result<String> {
    let mut random = [0; BYTES];
    File::open("/dev/urandom")?.read_exact(&mut random)?;
    let key: String = random.iter().map(|byte| format!("{byte:02x}")).collect();
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)?;
    file.write_all(key.as_bytes())?;
    file.sync_all()?;
    Ok(key)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn a_key_is_made_once_and_is_nobody_else_s_business() {
        let dir = tempfile::tempdir().expect("a folder");
        let key = read_or_make(dir.path()).expect("a key");
        assert_eq!(key.len(), 32);
        assert_eq!(read_or_make(dir.path()).expect("a key"), key);
        let mode = fs::metadata(dir.path().join(FILE)).expect("the file").permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        let other = tempfile::tempdir().expect("a folder");
        assert_ne!(read_or_make(other.path()).expect("a key"), key);
    }

    #[test]
    fn a_damaged_key_is_told_and_left_alone() {
        let dir = tempfile::tempdir().expect("a folder");
        fs::write(dir.path().join(FILE), "secret").expect("a file");
        let why = read_or_make(dir.path()).expect_err("no key").to_string();
        assert!(why.contains("32 hexadecimal digits"), "{why}");
        assert_eq!(fs::read_to_string(dir.path().join(FILE)).expect("the file"), "secret");
    }
}
