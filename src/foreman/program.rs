//! Runs the user's clear-check program.

use std::process::Stdio;
use std::time::Duration;

use tokio::process::Command;

use crate::line::Verdict;

/// Runs `program` with the cycle's facts in its environment: exit 0 is clear, 1 not clear, anything else or a run longer
/// than `limit` unknown.
pub(super) async fn run(program: &[String], facts: &[(&'static str, String)], limit: Duration) -> (Verdict, String) {
    let Some((name, arguments)) = program.split_first() else {
        return (Verdict::Unknown, "there is no clear-check program".to_owned());
    };
    let child = Command::new(name)
        .args(arguments)
        .envs(facts.iter().map(|(key, value)| (*key, value.as_str())))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .kill_on_drop(true)
        .spawn();
    let mut child = match child {
        Ok(child) => child,
        Err(error) => return (Verdict::Unknown, format!("the clear-check program {name} cannot be run: {error}")),
    };
    match tokio::time::timeout(limit, child.wait()).await {
        Err(_) => (Verdict::Unknown, format!("the clear-check program gave no answer within {} s", limit.as_secs())),
        Ok(Err(error)) => (Verdict::Unknown, format!("the clear-check program could not be waited for: {error}")),
        Ok(Ok(status)) => match status.code() {
            Some(0) => (Verdict::Clear, "the clear-check program says that the belt is clear".to_owned()),
            Some(1) => (Verdict::NotClear, "the clear-check program says that the belt is not clear".to_owned()),
            Some(code) => {
                (Verdict::Unknown, format!("the clear-check program ended with status {code}; 0 or 1 is an answer"))
            }
            None => (Verdict::Unknown, "the clear-check program was killed".to_owned()),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    async fn sh(script: &str, limit_ms: u64) -> Verdict {
        let program = ["sh", "-c", script].map(str::to_owned);
        run(&program, &[("NOSEBAR_COPY", "3".to_owned())], Duration::from_millis(limit_ms)).await.0
    }

    #[tokio::test]
    async fn exit_statuses_are_answers_and_everything_else_is_not() {
        assert_eq!(sh("exit 0", 5000).await, Verdict::Clear);
        assert_eq!(sh("exit 1", 5000).await, Verdict::NotClear);
        assert_eq!(sh("exit 2", 5000).await, Verdict::Unknown);
        assert_eq!(sh("kill -9 $$", 5000).await, Verdict::Unknown);
        assert_eq!(sh("sleep 60", 30).await, Verdict::Unknown);
        let absent = ["/nonexistent/program".to_owned()];
        assert_eq!(run(&absent, &[], Duration::from_secs(1)).await.0, Verdict::Unknown);
    }

    #[tokio::test]
    async fn the_program_knows_the_cycle() {
        assert_eq!(sh("test \"$NOSEBAR_COPY\" = 3", 5000).await, Verdict::Clear);
    }
}
