//! What people do while the daemon lives. Whatever they want from it gives `None` when it has died.

use std::thread::JoinHandle;
use std::time::Duration;

use futures_util::{StreamExt, stream};
use serde_json::Value;

use super::Trial;
use super::aim::Aim;
use super::orders::Sure;

/// So many files that are not made yet are enough.
pub(super) const ENOUGH: usize = 2;
/// Looks at the line before a life is ended in which what was waited for does not come.
const LOOKS_MAX: u32 = 1200;
/// The longest that anything is waited for.
const PATIENCE: Duration = Duration::from_secs(120);

impl Trial {
    /// Lives until it is killed.
    pub(super) async fn live(&mut self, aim: Aim) -> Option<()> {
        if !self.plant.meet_daemon() {
            return None;
        }
        self.look().await?;
        if let Aim::Looked(delay) = aim {
            self.arm(delay);
        }
        let mut looks = 0;
        loop {
            let line = self.show("/lines/one").await?;
            if let Some(delay) = aim.is_seen(&line) {
                self.arm(delay);
            }
            if line["question"].is_object() {
                self.answer(&line).await?;
                if let Aim::Answered(delay) = aim {
                    self.arm(delay);
                }
            } else if !aim.wants_rest() && self.chance.one_in(12) {
                self.want_something(aim).await?;
            }
            looks += 1;
            if looks == LOOKS_MAX {
                self.arm(Duration::ZERO);
            }
            self.pause(8).await;
        }
    }

    /// Has the daemon killed after a while, unless that is done already.
    pub(super) fn arm(&mut self, delay: Duration) {
        if self.killer.is_none() {
            self.killer = Some(self.plant.daemon().kill_after(delay));
        }
    }

    /// Somebody wants more to be made.
    async fn want_something(&mut self, aim: Aim) -> Option<()> {
        let open = self.show("/jobs?state=open&limit=50").await?;
        let open = open["jobs"].as_array().map_or(0, Vec::len);
        let unmade = self.books.orders.unmade(&self.books.last);
        // Also the one who wants to kill with a file must not pile up work without end.
        if open >= 2 || (unmade >= ENOUGH && !matches!(aim, Aim::File(_))) {
            return if open == 0 { self.make_a_rest().await } else { Some(()) };
        }
        let at = match self.books.orders.unsent() {
            Some(at) => at,
            None if unmade <= ENOUGH => self.books.orders.place(&mut self.chance),
            None => return self.make_a_rest().await,
        };
        if let Aim::File(delay) = aim {
            self.arm(delay);
        }
        match self.chance.below(3) {
            0 => self.drop_order(at),
            1 => self.drop_slowly(at).await,
            _ => return self.upload(at).await,
        }
        Some(())
    }

    fn drop_order(&mut self, at: usize) {
        let order = &mut self.books.orders.all[at];
        self.plant.drop_file(&order.file_name(), &order.bytes);
        order.sure = Sure::Yes;
    }

    /// Dropped once or twice while there is no daemon: the same file, also when it is copied anew.
    pub(super) fn drop_while_nobody_looks(&mut self) {
        let at = self.books.orders.unsent().unwrap_or_else(|| self.books.orders.place(&mut self.chance));
        for _ in 0..=self.chance.below(2) {
            self.drop_order(at);
        }
    }

    /// Written in the folder itself, piece by piece, under a name that says so; then it gets its own name.
    async fn drop_slowly(&mut self, at: usize) {
        let order = self.books.orders.all[at].clone();
        let part = self.plant.infeed().join(format!("{}.part", order.file_name()));
        let mut written = Vec::new();
        for piece in order.bytes.chunks(order.bytes.len().div_ceil(4)) {
            written.extend_from_slice(piece);
            std::fs::write(&part, &written).expect("a file");
            self.pause(20).await;
        }
        std::fs::rename(part, self.plant.infeed().join(order.file_name())).expect("dropped");
        self.books.orders.all[at].sure = Sure::Yes;
    }

    async fn upload(&mut self, at: usize) -> Option<()> {
        let order = &mut self.books.orders.all[at];
        order.sure = Sure::Perhaps;
        let pieces: Vec<_> = order.bytes.chunks(order.bytes.len().div_ceil(6)).map(<[u8]>::to_vec).collect();
        let body = stream::iter(pieces).then(async |piece| {
            tokio::time::sleep(Duration::from_millis(10)).await;
            Ok::<_, std::io::Error>(piece)
        });
        let path = format!("/jobs?name={}.gcode&copies={}", order.name, order.copies);
        let request = self.client.post(self.plant.api(&path)).body(reqwest::Body::wrap_stream(body));
        self.tally.unanswered += 1;
        let (status, job) = self.answered(request).await?;
        self.tally.unanswered -= 1;
        assert_eq!(status, 201, "{job:#}");
        self.books.orders.all[at].sure = Sure::Yes;
        Some(())
    }

    /// Has the rest made of a job that was cut short.
    async fn make_a_rest(&mut self) -> Option<()> {
        for order in self.books.orders.all.clone() {
            let jobs = self.books.last.jobs.values().filter(|job| job.sha256 == order.sha256);
            let Some(last) = jobs.max_by_key(|job| job.id).map(|job| job.id) else { continue };
            let mut id = last;
            while let Some((rest, _)) = self.books.rests.iter().find(|(_, of)| **of == id) {
                id = *rest;
            }
            let job = self.show(&format!("/jobs/{id}")).await?;
            let ended = matches!(job["state"].as_str(), Some("completed" | "aborted"));
            if !ended || job["completed"] == job["copies"] || job["in_work"] != 0 {
                continue;
            }
            let (status, rest) = self.post(&format!("/jobs/{id}/make-rest"), &Value::Null).await?;
            assert!((200..300).contains(&status), "{rest:#}, of {job:#}");
            self.books.rests.insert(rest["id"].as_i64().expect("a job's number"), id);
            return Some(());
        }
        Some(())
    }

    /// Everything is made, the rests too.
    pub(super) async fn work_all_off(&mut self) {
        let mut looked_at = 0;
        let mut looks = 0;
        loop {
            let line = self.plant.line().await;
            if line["question"].is_object() {
                self.answer(&line).await.expect("it lives");
            }
            let open = self.plant.show("/jobs?state=open&limit=50").await["jobs"].as_array().map_or(0, Vec::len);
            if open == 0 && line["state"] == "idle" {
                if let Some(at) = self.books.orders.unsent() {
                    self.drop_order(at);
                }
                self.make_a_rest().await.expect("it lives");
            }
            let seq = self.plant.show("/lines").await["seq"].as_i64();
            looks = if seq == looked_at.into() { looks + 1 } else { 0 };
            looked_at = seq.unwrap_or_default();
            if open == 0 && looks > 100 {
                return;
            }
            assert!(looks < 6000, "nothing happens any more: {line:#}");
            self.pause(20).await;
        }
    }

    /// Asks the daemon something.
    pub(super) async fn show(&self, path: &str) -> Option<Value> {
        let (status, answer) = self.answered(self.client.get(self.plant.api(path))).await?;
        assert_eq!(status, 200, "{path}: {answer:#}");
        Some(answer)
    }

    pub(super) async fn post(&self, path: &str, body: &Value) -> Option<(u16, Value)> {
        self.answered(self.client.post(self.plant.api(path)).json(body)).await
    }

    /// The answer to a request; `None` if the daemon has been killed meanwhile, and no other reason will do.
    async fn answered(&self, request: reqwest::RequestBuilder) -> Option<(u16, Value)> {
        let answer = async {
            let response = request.timeout(PATIENCE).send().await?;
            let status = response.status().as_u16();
            Ok::<_, reqwest::Error>((status, response.bytes().await?))
        };
        match answer.await {
            Ok((status, bytes)) => Some((status, serde_json::from_slice(&bytes).unwrap_or(Value::Null))),
            Err(error) => {
                for _ in 0..500 {
                    if self.killer.as_ref().is_some_and(JoinHandle::is_finished) {
                        return None;
                    }
                    self.pause(10).await;
                }
                panic!("no answer although it was not killed: {error:?}");
            }
        }
    }

    pub(super) async fn until_line(&self, what: &str, wanted: impl Fn(&Value) -> bool) -> Option<Value> {
        for _ in 0..PATIENCE.as_millis() / 10 {
            let line = self.show("/lines/one").await?;
            if wanted(&line) {
                return Some(line);
            }
            self.pause(10).await;
        }
        panic!("the line is not {what}");
    }
}
