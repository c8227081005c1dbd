//! What the infeed is told.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::job::LineName;

/// Where files come in, and how long they must stand still.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InfeedConfig {
    /// The watched folder. It is made if it is not there, with a folder for each line in it.
    pub dir: PathBuf,
    /// Where files go that are not taken; by default `rejected` in the watched folder.
    pub rejected: PathBuf,
    /// How long a file must stand still when nobody says that it is whole. Network shares may show a file as it was some
    /// seconds ago: not less than those.
    pub settle: Duration,
    /// How often the folder is looked through, since network shares send no word.
    pub rescan: Duration,
    /// The lines there are; each has a folder of its name.
    pub lines: Vec<LineName>,
}

/// For which line a file is, by the folder that it lies in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Bound {
    /// Whichever can make it.
    AnyLine,
    /// This one alone.
    Line(LineName),
    /// One that does not exist; the folder's name.
    NoSuchLine(String),
}

impl InfeedConfig {
    /// The usual times: 5 s to stand still, looked through every 10 s. Common practice, no source.
    #[must_use]
    pub fn new(dir: &Path, lines: Vec<LineName>) -> Self {
        Self {
            dir: dir.to_owned(),
            rejected: dir.join("rejected"),
            settle: Duration::from_secs(5),
            rescan: Duration::from_secs(10),
            lines,
        }
    }

    /// With paths that do not depend on the working folder.
    pub(super) fn made_absolute(self) -> Self {
        Self { dir: absolute(&self.dir), rejected: absolute(&self.rejected), ..self }
    }

    /// For which line the file at `path` is.
    pub(super) fn bound(&self, path: &Path) -> Bound {
        let folder = path.parent().filter(|parent| *parent != self.dir).and_then(Path::file_name);
        let Some(folder) = folder else { return Bound::AnyLine };
        let line = self.lines.iter().find(|line| folder == line.as_str());
        line.map_or_else(|| Bound::NoSuchLine(folder.to_string_lossy().into_owned()), |line| Bound::Line(line.clone()))
    }
}

pub(super) fn absolute(path: &Path) -> PathBuf {
    std::path::absolute(path).unwrap_or_else(|_| path.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_folder_pins_the_line() {
        let east = LineName::new("east").expect("a name");
        let config = InfeedConfig::new(Path::new("/in"), vec![east.clone()]);
        assert_eq!(config.bound(Path::new("/in/a.gcode")), Bound::AnyLine);
        assert_eq!(config.bound(Path::new("/in/east/a.gcode")), Bound::Line(east));
        assert_eq!(config.bound(Path::new("/in/East/a.gcode")), Bound::NoSuchLine("East".to_owned()));
    }
}
