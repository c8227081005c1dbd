//! Pictures of the files that came in: made when somebody first wants to see one, a few at a time, and kept.

use std::fmt::Write as _;
use std::fs::File;
use std::io::BufReader;
use std::sync::Arc;

use sha2::{Digest, Sha256};
use tokio::sync::Semaphore;

use super::proofs::Proof;
use crate::gcode::picture::{SIZE_MAX_PX, SIZE_MIN_PX};
use crate::gcode::{Dialect, Scene, picture};
use crate::job::{Footprint, LineName, Survey};
use crate::store::{FileStore, PictureStore, StoreError};

/// Pictures being made at once: each takes a core for a while, and one machine runs the lines too.
const AT_ONCE: usize = 2;
/// How much of a file is read at once.
const READ_BYTES: usize = 256 * 1024;
/// Widths are multiples of this, so that nobody can fill the disk with a picture of every width.
const WIDTH_STEP_PX: u32 = 64;
/// Goes up whenever the same scene is painted differently.
const MANNER: u32 = 2;

/// A line's belt, as pictures show it.
#[derive(Clone, Debug)]
pub struct Backdrop {
    /// The line.
    pub line: LineName,
    /// Its bed and the way to its nose; the size is told by whoever wants a picture.
    pub scene: Scene,
    /// How its printer reads a file.
    pub dialect: Dialect,
}

/// The pictures; clones share them.
#[derive(Clone, Debug)]
pub struct Pictures {
    files: FileStore,
    kept: PictureStore,
    backdrops: Arc<Vec<Backdrop>>,
    places: Arc<Semaphore>,
}

/// Why there is no picture.
#[derive(Debug, thiserror::Error)]
pub enum PictureFault {
    /// A width that is not offered.
    #[error("size is {size}, expected a multiple of {WIDTH_STEP_PX} from {SIZE_MIN_PX} to {SIZE_MAX_PX}")]
    Size {
        /// What was asked for, pixels.
        size: u32,
    },
    /// No line, no belt.
    #[error("the config names no line whose belt the picture could show")]
    NoLine,
    /// The sliced file cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The painter broke down; the log says how.
    #[error("the picture could not be painted")]
    Broken,
}

/// A picture that can be made: which one, told apart from all others by its tag.
#[derive(Clone, Debug)]
pub struct Plan {
    sha256: String,
    scene: Scene,
    dialect: Dialect,
    /// Sixteen hexadecimal digits: what is painted, and how. The file's own hash is not among them.
    pub tag: String,
}

impl Pictures {
    /// Pictures of these files on these belts.
    #[must_use]
    pub fn new(files: FileStore, backdrops: Vec<Backdrop>) -> Self {
        let kept = PictureStore::in_dir(files.data_dir());
        Self { files, kept, backdrops: Arc::new(backdrops), places: Arc::new(Semaphore::new(AT_ONCE)) }
    }

    /// What a picture of this file on this line's belt would be; without a line, or with one that is gone, on the first one's.
    ///
    /// # Errors
    /// [`PictureFault::Size`] and [`PictureFault::NoLine`].
    pub fn plan(&self, sha256: &str, line: Option<&LineName>, size: u32) -> Result<Plan, PictureFault> {
        if !(SIZE_MIN_PX..=SIZE_MAX_PX).contains(&size) || !size.is_multiple_of(WIDTH_STEP_PX) {
            return Err(PictureFault::Size { size });
        }
        let named = self.backdrops.iter().find(|backdrop| Some(&backdrop.line) == line);
        let backdrop = named.or_else(|| self.backdrops.first()).ok_or(PictureFault::NoLine)?;
        let scene = Scene { size_px: size, ..backdrop.scene };
        let dialect = backdrop.dialect;
        let tag = Sha256::digest(format!("{MANNER} {scene:?} {dialect:?}")).iter().take(8).fold(
            String::new(),
            |mut tag, byte| {
                // Writing to a string cannot fail.
                let _ = write!(tag, "{byte:02x}");
                tag
            },
        );
        Ok(Plan { sha256: sha256.to_owned(), scene, dialect, tag })
    }

    /// Length along a line's belt of what a file lays on it, mm; without a line on the first one's.
    #[must_use]
    pub fn along_belt_mm(&self, footprint: &Footprint, line: Option<&LineName>) -> Option<f64> {
        self.on_belt_mm(footprint, line).map(|(along, _)| along)
    }

    /// Length along a line's belt and width across it of what a file lays on it, mm; without a line on the first one's.
    #[must_use]
    pub fn on_belt_mm(&self, footprint: &Footprint, line: Option<&LineName>) -> Option<(f64, f64)> {
        let named = self.backdrops.iter().find(|backdrop| Some(&backdrop.line) == line);
        let (left, right, tail, lead) = named.or_else(|| self.backdrops.first())?.scene.box_on_belt(footprint);
        Some((lead - tail, right - left))
    }

    /// The picture as PNG: as it was kept, or made now.
    ///
    /// # Errors
    /// [`PictureFault::Store`] where the sliced file cannot be read. A picture that cannot be kept is shown all the same.
    pub async fn png(&self, plan: Plan, survey: Survey) -> Result<Vec<u8>, PictureFault> {
        let (files, sha256) = (self.files.clone(), plan.sha256.clone());
        self.find_or_make(plan, survey, true, move || files.open(&sha256)).await
    }

    /// The picture of a proof as PNG. It is not kept: most are looked at once, and some are thrown away.
    ///
    /// # Errors
    /// [`PictureFault::Store`] where the proof cannot be read.
    pub async fn png_of_proof(&self, plan: Plan, proof: Arc<Proof>) -> Result<Vec<u8>, PictureFault> {
        let survey = proof.survey.clone();
        self.find_or_make(plan, survey, false, move || proof.open()).await
    }

    async fn find_or_make(
        &self,
        plan: Plan,
        survey: Survey,
        keep: bool,
        open: impl FnOnce() -> Result<File, StoreError> + Send + 'static,
    ) -> Result<Vec<u8>, PictureFault> {
        let (kept, name) = (self.kept.clone(), format!("{}-{}", plan.sha256, plan.tag));
        let reader = (kept.clone(), name.clone());
        let found = tokio::task::spawn_blocking(move || reader.0.read(&reader.1)).await;
        if let Some(png) = found.map_err(|_| PictureFault::Broken)?? {
            return Ok(png);
        }
        let place = Arc::clone(&self.places).acquire_owned().await.map_err(|_| PictureFault::Broken)?;
        let path = self.files.path(&plan.sha256)?;
        let painted = tokio::task::spawn_blocking(move || {
            // Held until it is done, even if nobody waits for it any more.
            let _place = place;
            // Somebody may have made it while this one waited for its place.
            if let Some(png) = kept.read(&name)? {
                return Ok(png);
            }
            let reader = BufReader::with_capacity(READ_BYTES, open()?);
            let painted = picture(reader, &plan.scene, &survey, plan.dialect);
            let png = painted.map_err(|e| StoreError::io("read", &path, e))?;
            if keep && let Err(error) = kept.keep(&name, &png) {
                tracing::warn!(%error, "a picture could not be kept");
            }
            Ok(png)
        });
        painted.await.map_err(|_| PictureFault::Broken)?
    }
}
