//! A long file over loopback until it is surveyed, on the disk and a job, against a copy of the same bytes that is synced.

use std::fs::{self, File};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;

use crate::common::daemon::Folder;
use crate::common::printer_end::{By, Pace, PrinterEnd};
use crate::common::watch::{now, quantile};
use crate::common::{sample, table};

/// Bytes that are read and written at once.
const PIECE: usize = 256 * 1024;
/// Goal: at most so many times the copy.
const GOAL: f64 = 3.0;

/// Prints the table; says whether the goal was met.
pub(crate) fn run(megabytes: usize, rounds: usize) -> bool {
    let printer = PrinterEnd::start(By::Tcp, Pace::AT_ONCE);
    let folder = Folder::make(&printer.place);
    let daemon = folder.start();
    let print = fs::read(sample::rustlogo()).expect("the sample is there");
    let repeats = sample::repeats(print.len(), megabytes);
    let file = folder.path().join("print");
    let (mut ours, mut theirs, mut ratios) = (Vec::new(), Vec::new(), Vec::new());
    for round in 0..=rounds {
        // Another file each time: one that is known already would not be kept again.
        fs::write(&file, [format!("; round {round}\n").into_bytes(), print.repeat(repeats)].concat()).expect("a file");
        let copy = copied_s(&file, &folder.path().join("copy"));
        let upload = uploaded_s(&daemon.host, &file);
        if round > 0 {
            theirs.push(copy);
            ours.push(upload);
            ratios.push(upload / copy);
        }
    }
    let mb = (print.len() * repeats) as f64 / 1e6;
    let row = |name: &str, of: Vec<f64>, ratio: f64| {
        let median = quantile(of, 0.5);
        vec![name.to_owned(), format!("{median:.2}"), format!("{:.0}", mb / median), format!("{ratio:.2}")]
    };
    let ratio = quantile(ratios, 0.5);
    println!("a file of {mb:.0} MB, medians of {rounds} rounds");
    table::print(
        &["", "s", "MB/s", "× copy"],
        &[row("copy and sync", theirs, 1.0), row("upload with survey, durable", ours, ratio)],
    );
    let met = ratio <= GOAL;
    println!("goal {GOAL} × copy: {}\n", if met { "met" } else { "MISSED" });
    met
}

fn copied_s(from: &Path, to: &Path) -> f64 {
    let begun = now();
    let (mut reads, mut writes) = (File::open(from).expect("a file"), File::create(to).expect("a file"));
    pour(&mut reads, &mut writes);
    writes.sync_all().expect("it is on the disk");
    let took = begun.elapsed().as_secs_f64();
    fs::remove_file(to).expect("it was there");
    took
}

fn uploaded_s(host: &str, file: &Path) -> f64 {
    let mut reads = File::open(file).expect("a file");
    let length = reads.metadata().expect("it has a length").len();
    let begun = now();
    let mut stream = TcpStream::connect(host).expect("the daemon listens");
    let head = format!(
        "POST /api/v1/jobs?name=clip.gcode&hold=true HTTP/1.1\r\nHost: {host}\r\nContent-Length: {length}\r\n\
         Connection: close\r\n\r\n"
    );
    stream.write_all(head.as_bytes()).expect("the daemon reads");
    pour(&mut reads, &mut stream);
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("the daemon answers");
    let took = begun.elapsed().as_secs_f64();
    assert!(answer.starts_with("HTTP/1.1 201"), "{answer}");
    took
}

fn pour(from: &mut impl Read, to: &mut impl Write) {
    let mut piece = vec![0; PIECE];
    loop {
        let got = from.read(&mut piece).expect("it can be read");
        if got == 0 {
            return;
        }
        to.write_all(&piece[..got]).expect("there is room");
    }
}
