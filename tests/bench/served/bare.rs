//! What the daemon is held against: servers that do one thing and nothing else, each in a process of its own, with the daemon's
//! runtime, its listener and its versions of `axum` and `sqlx`.

use std::path::Path;

use axum::extract::State;
use axum::routing::get;
use axum::{Json, Router};
use serde_json::{Value, json};
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use sqlx::{Row, SqlitePool};
use tokio::net::TcpListener;

use crate::common::asked;
use crate::common::process::Process;

/// What is said to the process that is one: which, and what file it has.
const PART: &str = "--bare";
const FILE: &str = "--bare-file";

/// A bare server at work.
pub(crate) struct Bare {
    pub(crate) process: Process,
    /// `host:port`.
    pub(crate) host: String,
}

impl Bare {
    pub(crate) fn hello() -> Self {
        Self::start(&[PART, "hello"])
    }

    /// Lists a hundred jobs of this database.
    pub(crate) fn database(path: &Path) -> Self {
        Self::start(&[PART, "database", FILE, path.to_str().expect("a name in UTF-8")])
    }

    fn start(arguments: &[&str]) -> Self {
        let mut process = Process::own(arguments);
        let host = process.line();
        Self { process, host }
    }
}

/// Works as one if this process was started for that, and then does not return.
pub(crate) fn be_bare_if_asked() {
    let part = asked::value(PART, String::new());
    if part.is_empty() {
        return;
    }
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let app = match part.as_str() {
            "hello" => Router::new().route("/", get(async || "hello")),
            _ => Router::new().route("/", get(list)).with_state(open(&asked::value(FILE, String::new())).await),
        };
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        println!("{}", listener.local_addr().expect("a port has a number"));
        axum::serve(listener, app).await.expect("it serves");
    });
    std::process::exit(0);
}

async fn open(path: &str) -> SqlitePool {
    let options = SqliteConnectOptions::new()
        .filename(path)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full);
    SqlitePoolOptions::new().max_connections(4).connect_with(options).await.expect("a database")
}

async fn list(State(pool): State<SqlitePool>) -> Json<Vec<Value>> {
    let rows =
        sqlx::query("select id, name, state, copies from jobs order by id desc limit 100").fetch_all(&pool).await;
    let job = |row: &sqlx::sqlite::SqliteRow| {
        let (id, copies): (i64, i64) = (row.get(0), row.get(3));
        let (name, state): (String, String) = (row.get(1), row.get(2));
        json!({ "id": id, "name": name, "state": state, "copies": copies })
    };
    Json(rows.expect("it can be read").iter().map(job).collect())
}
