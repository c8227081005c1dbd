//! Below the bar: where jobs come in, from the watched folder or over HTTP.
//!
//! It decides when a file is whole, has it surveyed and put into the file store, and asks the foreman to make it a job; what it
//! turns away goes to the folder for rejected files with a letter. It keeps proofs: surveyed files that wait for a
//! person's word before they become jobs. It also has pictures made of what came in. Taking is safe
//! against a crash between any two steps. It writes no row of the database, and does not know what becomes of a job.

mod config;
mod dealing;
#[cfg(test)]
mod fake;
mod intake;
mod name;
mod pictures;
mod pour;
mod proofs;
mod reject;
mod run;
mod settle;
mod shared_survey;
mod source;
mod taking;
mod watch;
mod word;

pub use config::InfeedConfig;
pub use intake::{Intake, Releases, TakeError, TakeOptions};
pub use name::{COPIES_MAX, NameFault, Named, read_name};
pub use pictures::{Backdrop, PictureFault, Pictures, Plan};
pub use pour::{Inspect, Inspectors, surveyors};
pub use proofs::{Proof, Wish};
pub use reject::Rejection;
pub use run::run;
pub use shared_survey::SharedSurvey;
