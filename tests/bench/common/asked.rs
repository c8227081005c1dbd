//! What the command line asks of a bench: `--name value`, and what Cargo adds by itself.

use std::str::FromStr;

/// The value behind `--name`, or else `usual`. Ends the bench with a sentence if it cannot be read.
pub(crate) fn value<T: FromStr>(name: &str, usual: T) -> T {
    let mut arguments = std::env::args().skip_while(|argument| argument != name).skip(1);
    match arguments.next().map(|text| text.parse()) {
        None => usual,
        Some(Ok(value)) => value,
        Some(Err(_)) => {
            eprintln!("{name} is followed by no value that fits");
            std::process::exit(2)
        }
    }
}
