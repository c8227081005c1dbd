//! `nosebar backup`: queue, history and sliced files in one archive.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use super::BackupArgs;
use super::say::say;
use super::serve::block_on;
use super::start::NotStarted;
use crate::config::Config;
use crate::store::Store;

const DATABASE: &str = "nosebar.db";

pub(crate) fn run(args: &BackupArgs) -> ExitCode {
    match block_on(backup(args)) {
        Ok(files) => {
            say(format_args!("wrote {} with the queue, the history and {files} sliced files", args.file.display()));
            say("to go back to it: stop the daemon, put its data folder aside, and unpack this file in its place");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("nosebar: {error}");
            ExitCode::from(2)
        }
    }
}

async fn backup(args: &BackupArgs) -> Result<usize, NotStarted> {
    let data = Config::read(&args.config)?.daemon.data;
    let fault = |error: io::Error| NotStarted(format!("{} cannot be written: {error}", args.file.display()));
    if args.file.exists() {
        return Err(NotStarted(format!("{} is there already and was left as it is", args.file.display())));
    }
    let folder = args.file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    let work = tempfile::Builder::new().prefix("nosebar-backup-").tempdir_in(folder).map_err(fault)?;
    let copy = work.path().join(DATABASE);
    // The database first: every file that it knows is in the store already, and stays there.
    let hashes = Store::copy(&data.join(DATABASE), &copy).await?;
    let archive = work.path().join("archive");
    let files = pack(&archive, &copy, &data, &hashes).map_err(fault)?;
    // A hard link fails where a file has come meanwhile; a rename would overwrite it.
    std::fs::hard_link(&archive, &args.file).map_err(fault)?;
    Ok(files)
}

/// Writes the archive, synced. Answers how many sliced files are in it.
fn pack(archive: &Path, database: &Path, data: &Path, hashes: &[String]) -> io::Result<usize> {
    let mut builder = tar::Builder::new(File::create_new(archive)?);
    builder.append_path_with_name(database, DATABASE)?;
    let mut files = 0;
    for hash in hashes {
        let name = PathBuf::from("files").join(format!("{hash}.gcode"));
        match builder.append_path_with_name(data.join(&name), &name) {
            Ok(()) => files += 1,
            // Whoever took it out of the store by hand has lost it before.
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                tracing::warn!(file = %name.display(), "a sliced file is missing");
            }
            Err(error) => return Err(error),
        }
    }
    builder.into_inner()?.sync_all()?;
    Ok(files)
}
