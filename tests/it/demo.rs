//! The demo, as a stranger runs it.

use std::process::Command;

#[test]
fn the_demo_ends_by_itself_with_every_job_made_and_the_books_true() {
    let output = Command::new(env!("CARGO_BIN_EXE_nosebar"))
        .args(["demo", "--until-done", "--speed", "100000", "--listen", "127.0.0.1:0"])
        .output()
        .expect("the binary runs");
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    assert!(output.status.success(), "{text}\n{}", String::from_utf8_lossy(&output.stderr));
    let last: serde_json::Value = serde_json::from_str(text.lines().last().expect("a last line")).expect("JSON");
    assert_eq!(last["jobs_completed"], 5);
    assert_eq!(last["copies_completed"], 6);
    assert_eq!(last["copies_scrapped"], 0);
    assert_eq!(last["advances"], 6);
    assert_eq!(last["prints_over_a_part"], 0);
    assert_eq!(last["belt_odometer_um"], last["true_belt_um"]);
    assert!(last["true_belt_um"].as_i64().expect("a number") > 500_000);
    assert!(last["simulated_s"].as_f64().expect("a number") > 3600.0, "hours of line time: {last}");
}
