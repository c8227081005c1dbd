//! What people have asked for: real sliced files, each with a line of its own, so that no two have the same content.

use std::fs;
use std::path::Path;

use sha2::{Digest, Sha256};

use super::found::Found;
use crate::ground;
use crate::world::chance::Chance;

/// How far it is known that a file has come in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sure {
    /// It was dropped whole, or its upload was acknowledged.
    Yes,
    /// It was sent, and the answer never came.
    Perhaps,
    /// It was sent without an answer, and is not there.
    No,
}

/// A file that somebody wants to have made.
#[derive(Clone, Debug)]
pub(super) struct Order {
    /// The job's name.
    pub(super) name: String,
    pub(super) bytes: Vec<u8>,
    pub(super) sha256: String,
    pub(super) copies: i64,
    pub(super) sure: Sure,
}

impl Order {
    /// As it is called in the watched folder.
    pub(super) fn file_name(&self) -> String {
        format!("{}.{}off.gcode", self.name, self.copies)
    }
}

/// All of them.
pub(super) struct Orders {
    files: Vec<(&'static str, Vec<u8>)>,
    pub(super) all: Vec<Order>,
}

impl Orders {
    pub(super) fn new() -> Self {
        let demo = |name: &str| {
            let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-jobs").join(format!("{name}.gcode"));
            fs::read(path).expect("a demo job")
        };
        let files = vec![
            ("random_3d_print", fs::read(ground::random_3d_print()).expect("a real print")),
            ("plant-marker", demo("plant-marker.2off")),
            ("tray-clip", demo("tray-clip")),
            ("drip-line-stake", demo("drip-line-stake")),
            ("packet-holder", demo("packet-holder")),
            ("seed-scoop", demo("seed-scoop")),
        ];
        Self { files, all: Vec::new() }
    }

    /// One more; its place in the list.
    pub(super) fn place(&mut self, chance: &mut Chance) -> usize {
        let at = self.all.len();
        // In turn, so that all kinds come in.
        let (kind, file) = &self.files[at % self.files.len()];
        let mut bytes = file.clone();
        bytes.extend_from_slice(format!("; order {at}\n").as_bytes());
        let hash = Sha256::digest(&bytes);
        self.all.push(Order {
            name: format!("{kind}-{at}"),
            bytes,
            sha256: hash.iter().map(|byte| format!("{byte:02x}")).collect(),
            copies: 1 + chance.below(3) as i64,
            sure: Sure::No,
        });
        at
    }

    /// Files that were not sent, or are known not to have come in.
    pub(super) fn unsent(&self) -> Option<usize> {
        self.all.iter().position(|order| order.sure == Sure::No)
    }

    /// How many are still to be made, wholly or in part.
    pub(super) fn unmade(&self, found: &Found) -> usize {
        self.all.iter().filter(|order| found.good_of(&order.sha256) < order.copies).count()
    }

    /// Every file that is known to have come in is one job, or lies in the folder and is not one yet; none is two jobs.
    pub(super) fn are_kept(&mut self, found: &Found) {
        for order in &mut self.all {
            let jobs: Vec<_> = found.jobs_of(&order.sha256).collect();
            assert!(jobs.len() <= 1, "{} was doubled: {jobs:#?}", order.name);
            for job in &jobs {
                assert_eq!((&job.name, job.copies), (&order.name, order.copies), "it is another job now");
            }
            let waits = found.folder.contains(&order.file_name());
            order.sure = match (order.sure, jobs.is_empty()) {
                (Sure::Yes, true) => {
                    assert!(waits, "{} was lost: it is no job, and the folder has only {:?}", order.name, found.folder);
                    Sure::Yes
                }
                (Sure::No, false) => panic!("{} is a job although nobody sent it: {jobs:#?}", order.name),
                (Sure::Perhaps, true) | (Sure::No, true) => Sure::No,
                (Sure::Yes | Sure::Perhaps, false) => Sure::Yes,
            };
        }
        let known = |job: &&super::found::Job| self.all.iter().any(|order| order.sha256 == job.sha256);
        let strange: Vec<_> = found.jobs.values().filter(|job| !known(job)).collect();
        assert!(strange.is_empty(), "jobs that nobody asked for: {strange:#?}");
    }
}
