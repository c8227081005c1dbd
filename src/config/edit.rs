//! Findings are written into a config that a person wrote: never over a value of theirs unless they say so, never an invalid
//! result, and never over a change that somebody made meanwhile.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::change::Change;
use super::load::Config;
use super::surgery;
use crate::job::LineName;
use crate::line::Setting;

/// A config with changes that are not written yet.
#[derive(Clone, Debug)]
pub struct Draft {
    path: PathBuf,
    before: String,
    after: String,
    changes: Vec<Change>,
}

/// Why a config is not changed. Nothing was written then.
#[derive(Debug, thiserror::Error)]
pub enum EditError {
    /// The file cannot be read.
    #[error("the config {path} cannot be read: {source}")]
    Unreadable {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The place for the value was not found in it.
    #[error("the config {path} was not changed: {what}")]
    NoPlace {
        /// Which.
        path: PathBuf,
        /// Why not.
        what: String,
    },
    /// The daemon could not start with the result.
    #[error("the config was not changed, since it would not be good any more: {what}")]
    WouldBreak {
        /// What is wrong with it.
        what: String,
    },
    /// Values of a person's would be replaced, and nobody said that they may be.
    #[error("{what}; say that it may be replaced, or leave it")]
    WouldReplace {
        /// Which ones, with old and new value.
        what: String,
    },
    /// Somebody else changed the file.
    #[error("the config {path} was changed by somebody else meanwhile and was left as it is; look at it and try again")]
    ChangedMeanwhile {
        /// Which.
        path: PathBuf,
    },
    /// The file cannot be written.
    #[error("the config {path} cannot be written: {source}")]
    Unwritable {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
}

impl Draft {
    /// Reads the config at `path` and puts `settings` of one line into a copy of its text.
    ///
    /// # Errors
    /// [`EditError`] when it cannot be read, has no such line, or would not be good with them.
    pub fn open(path: &Path, line: &LineName, settings: &[Setting]) -> Result<Self, EditError> {
        // A link stays a link: the file that it points to is changed.
        let path = fs::canonicalize(path).map_err(|source| EditError::Unreadable { path: path.to_owned(), source })?;
        let before = read(&path)?;
        let mut after = before.clone();
        let mut changes = Vec::new();
        for setting in settings {
            let (text, change) = surgery::put(&after, line.as_str(), setting)
                .map_err(|error| EditError::NoPlace { path: path.clone(), what: error.to_string() })?;
            after = text;
            changes.push(change);
        }
        Config::parse(&after, &path).map_err(|error| EditError::WouldBreak { what: error.to_string() })?;
        Ok(Self { path, before, after, changes })
    }

    /// What would change; keys that have their value already are among them, with the old value as the new one.
    #[must_use]
    pub fn changes(&self) -> &[Change] {
        &self.changes
    }

    /// A short name for the text that was read: another text has another one.
    #[must_use]
    pub fn read_as(&self) -> String {
        let hash = Sha256::digest(self.before.as_bytes());
        hash.iter().take(8).map(|byte| format!("{byte:02x}")).collect()
    }

    /// Whether there is anything to write.
    #[must_use]
    pub fn is_new(&self) -> bool {
        self.before != self.after
    }

    /// Writes it, whole or not at all; the file keeps its permissions. `may_replace` is a person's word that values of theirs
    /// may be replaced.
    ///
    /// # Errors
    /// [`EditError`]; nothing was written then.
    pub fn write(&self, may_replace: bool) -> Result<(), EditError> {
        let replaced: Vec<_> = self.changes.iter().filter(|change| change.replaces).collect();
        if !may_replace && !replaced.is_empty() {
            let one =
                |c: &&Change| format!("{} is {} and would become {}", c.key, c.old.as_deref().unwrap_or("?"), c.new);
            let what = replaced.iter().map(one).collect::<Vec<_>>().join(", ");
            return Err(EditError::WouldReplace { what });
        }
        if read(&self.path)? != self.before {
            return Err(EditError::ChangedMeanwhile { path: self.path.clone() });
        }
        if self.is_new() {
            self.put_in_place().map_err(|source| EditError::Unwritable { path: self.path.clone(), source })?;
        }
        Ok(())
    }

    fn put_in_place(&self) -> io::Result<()> {
        let folder = self.path.parent().unwrap_or_else(|| Path::new("."));
        let mut file = tempfile::NamedTempFile::new_in(folder)?;
        file.write_all(self.after.as_bytes())?;
        file.as_file().set_permissions(fs::metadata(&self.path)?.permissions())?;
        file.as_file().sync_all()?;
        file.persist(&self.path).map_err(|error| error.error)?;
        // The new name is on the disk when the folder is.
        fs::File::open(folder)?.sync_all()
    }
}

fn read(path: &Path) -> Result<String, EditError> {
    fs::read_to_string(path).map_err(|source| EditError::Unreadable { path: path.to_owned(), source })
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;
    use crate::line::SettingValue;

    const TEXT: &str = "[[line]]\nname = \"a\"\n[line.belt]\nunits_per_mm = 1.5 # mine\n[line.check]\nkind = \"ask\"\n";

    struct Desk {
        dir: tempfile::TempDir,
    }

    impl Desk {
        fn new(text: &str) -> Self {
            let desk = Self { dir: tempfile::tempdir().expect("a folder") };
            fs::write(desk.path(), text).expect("a file");
            desk
        }

        fn path(&self) -> PathBuf {
            self.dir.path().join("nosebar.toml")
        }

        fn text(&self) -> String {
            fs::read_to_string(self.path()).expect("it is there")
        }

        fn draft(&self, key: &'static str, value: f64) -> Result<Draft, EditError> {
            let comment = "computed 2026-11-25: by hand".to_owned();
            let setting = Setting { table: "belt", key, value: SettingValue::Number(value), comment };
            Draft::open(&self.path(), &LineName::new("a").expect("a name"), &[setting])
        }
    }

    #[test]
    fn a_persons_value_is_replaced_only_on_their_word() {
        let desk = Desk::new(TEXT);
        let draft = desk.draft("units_per_mm", 2.0).expect("a draft");
        let told = draft.write(false).expect_err("nobody said so").to_string();
        assert_eq!(told, "belt.units_per_mm is 1.5 and would become 2.0; say that it may be replaced, or leave it");
        assert_eq!(desk.text(), TEXT);
        draft.write(true).expect("written");
        assert_eq!(desk.text(), TEXT.replace("1.5 #", "2.0  # computed 2026-11-25: by hand  #"));
    }

    #[test]
    fn a_key_that_nobody_wrote_needs_no_word() {
        let desk = Desk::new(TEXT);
        desk.draft("overrun_mm", 12.5).expect("a draft").write(false).expect("written");
        assert!(desk.text().contains("units_per_mm = 1.5 # mine\noverrun_mm = 12.5  # computed"), "{}", desk.text());
    }

    #[test]
    fn a_file_that_changed_meanwhile_is_left_as_it_is() {
        let desk = Desk::new(TEXT);
        let draft = desk.draft("overrun_mm", 12.5).expect("a draft");
        let other = TEXT.replace("mine", "mine, and theirs");
        fs::write(desk.path(), &other).expect("written by hand");
        assert!(matches!(draft.write(true), Err(EditError::ChangedMeanwhile { .. })));
        assert_eq!(desk.text(), other);
        assert_ne!(draft.read_as(), desk.draft("overrun_mm", 12.5).expect("a draft").read_as());
    }

    #[test]
    fn a_result_that_would_not_start_is_never_written() {
        let desk = Desk::new(TEXT);
        let told = desk.draft("units_per_mm", -1.0).expect_err("a drive needs units").to_string();
        assert!(told.contains("belt.units_per_mm is -1"), "{told}");
        assert!(matches!(desk.draft("no_such_key", 1.0), Err(EditError::WouldBreak { .. })));
        assert_eq!(desk.text(), TEXT);
    }

    #[test]
    fn permissions_stay_and_a_link_stays_a_link() {
        let desk = Desk::new(TEXT);
        fs::set_permissions(desk.path(), fs::Permissions::from_mode(0o640)).expect("set");
        let link = desk.dir.path().join("link.toml");
        std::os::unix::fs::symlink(desk.path(), &link).expect("a link");
        let name = LineName::new("a").expect("a name");
        let flag = Setting {
            table: "belt",
            key: "inverted",
            value: SettingValue::Flag(true),
            comment: "seen 2026-11-25: away".to_owned(),
        };
        Draft::open(&link, &name, &[flag]).expect("a draft").write(false).expect("written");
        assert_eq!(fs::metadata(desk.path()).expect("there").permissions().mode() & 0o777, 0o640);
        assert!(fs::symlink_metadata(&link).expect("there").is_symlink());
        assert!(desk.text().contains("inverted = true  # seen 2026-11-25: away"));
        assert_eq!(fs::read_dir(desk.dir.path()).expect("the folder").count(), 2, "no leftovers");
    }
}
