//! Warm-ups and cool-downs, fitted: each line's own experience.

use sqlx::Row;
use sqlx::sqlite::SqliteRow;

use super::commit::Query;
use super::error::StoreError;
use super::read::Reader;
use super::rows::{line_name, word};
use crate::job::{CycleId, HeatRun, HeatWay};
use crate::units::UnixMillis;

/// The columns that [`heat_run`] reads, in its order.
pub(super) const COLUMNS: &str =
    "id, line, way, cycle, at, material, fan, mass_g, start_c, end_c, ambient_c, tau_s, rms_k, samples";

/// The newest fifty of each line and way; older ones say little of the next.
const NEWEST: &str = "
    select h.id, h.line, h.way, h.cycle, h.at, h.material, h.fan, h.mass_g, h.start_c, h.end_c, h.ambient_c, h.tau_s, h.rms_k, h.samples
      from lines as l join heat_runs as h on h.id in
           (select id from heat_runs where line = l.name and way = 'warm' order by id desc limit 50)
     union all
    select h.id, h.line, h.way, h.cycle, h.at, h.material, h.fan, h.mass_g, h.start_c, h.end_c, h.ambient_c, h.tau_s, h.rms_k, h.samples
      from lines as l join heat_runs as h on h.id in
           (select id from heat_runs where line = l.name and way = 'cool' order by id desc limit 50)
     order by 1";

/// The newest runs of each line by number, and the greatest number given so far.
pub(super) async fn load_heat_runs(reader: &Reader) -> Result<(Vec<HeatRun>, i64), StoreError> {
    let runs = reader.rows(sqlx::query(NEWEST).fetch_all(reader.pool()).await, heat_run)?;
    let last = sqlx::query("select coalesce(max(id), 0) from heat_runs");
    let last = reader.row(last.fetch_optional(reader.pool()).await, |row: &SqliteRow| row.try_get(0))?;
    Ok((runs, last.unwrap_or_default()))
}

pub(super) fn put(run: &HeatRun) -> sqlx::Result<Query> {
    // SQLite would quietly keep null.
    if ![run.start_c, run.end_c, run.ambient_c, run.tau_s, run.rms_k].iter().all(|v| v.is_finite()) {
        return Err(sqlx::Error::Encode(format!("heat run {} has a figure that is no number", run.id).into()));
    }
    let query = sqlx::query(
        "insert into heat_runs (id, line, way, cycle, at, material, fan, mass_g, start_c, end_c, ambient_c, tau_s, rms_k, samples)
         values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)",
    )
    .bind(run.id)
    .bind(run.line.as_str().to_owned())
    .bind(run.way.as_str())
    .bind(run.cycle.map(|cycle| cycle.0))
    .bind(run.at.0)
    .bind(run.material.clone())
    .bind(run.fan.clone())
    .bind(run.mass_g)
    .bind(run.start_c)
    .bind(run.end_c)
    .bind(run.ambient_c)
    .bind(run.tau_s)
    .bind(run.rms_k)
    .bind(run.samples);
    Ok(query)
}

pub(super) fn heat_run(row: &SqliteRow) -> sqlx::Result<HeatRun> {
    Ok(HeatRun {
        id: row.try_get(0)?,
        line: line_name(row, 1)?,
        way: word(row, 2, HeatWay::parse)?,
        cycle: row.try_get::<Option<i64>, _>(3)?.map(CycleId),
        at: UnixMillis(row.try_get(4)?),
        material: row.try_get(5)?,
        fan: row.try_get(6)?,
        mass_g: row.try_get(7)?,
        start_c: row.try_get(8)?,
        end_c: row.try_get(9)?,
        ambient_c: row.try_get(10)?,
        tau_s: row.try_get(11)?,
        rms_k: row.try_get(12)?,
        samples: row.try_get(13)?,
    })
}

#[cfg(test)]
mod tests {
    use super::super::list::tests::plan;
    use super::super::open::Store;
    use super::super::write::Write;
    use super::*;
    use crate::job::{LineName, LineRow};

    fn line(name: &str) -> LineRow {
        LineRow::at_rest(LineName::new(name).expect("a good name"))
    }

    fn run(id: i64, name: &str, way: HeatWay) -> HeatRun {
        HeatRun {
            id,
            line: LineName::new(name).expect("a good name"),
            way,
            cycle: None,
            at: UnixMillis(id * 1000),
            material: (id % 2 == 0).then(|| "pla".to_owned()),
            fan: (id % 3 == 0).then(|| "on".to_owned()),
            mass_g: (id % 2 == 1).then_some(12.34),
            start_c: 60.1,
            end_c: 31.9,
            ambient_c: 22.3,
            tau_s: 601.5,
            rms_k: 0.07,
            samples: 480,
        }
    }

    #[tokio::test]
    async fn the_newest_fifty_of_each_line_and_way_come_back_as_they_were() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let mut store = Store::open(&dir.path().join("db")).await.expect("a store");
        let kind = |id: i64| {
            (if id % 2 == 0 { "one" } else { "two" }, if id % 3 == 0 { HeatWay::Warm } else { HeatWay::Cool })
        };
        let all: Vec<HeatRun> = (1..=400).map(|id| run(id, kind(id).0, kind(id).1)).collect();
        let mut writes: Vec<Write> = ["one", "two"].map(|name| Write::Line(Box::new(line(name)))).into();
        writes.extend(all.iter().map(|run| Write::HeatRun(Box::new(run.clone()))));
        store.commit(&writes).await.expect("kept");
        let snapshot = store.load().await.expect("readable");
        assert_eq!(snapshot.last_heat_run, 400);
        let mut wanted: Vec<HeatRun> = Vec::new();
        for (name, way) in
            [("one", HeatWay::Warm), ("one", HeatWay::Cool), ("two", HeatWay::Warm), ("two", HeatWay::Cool)]
        {
            wanted.extend(all.iter().rev().filter(|r| r.line.as_str() == name && r.way == way).take(50).cloned());
        }
        wanted.sort_by_key(|run| run.id);
        assert_eq!(snapshot.heat_runs, wanted);
    }

    #[tokio::test]
    async fn a_long_history_is_not_looked_through() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let store = Store::open(&dir.path().join("db")).await.expect("a store");
        let steps = plan(&store.reader(), NEWEST).await;
        assert!(steps.iter().any(|s| s.contains("heat_runs_of_line")), "{steps:?}");
        assert!(!steps.iter().any(|s| s.contains("SCAN h")), "{steps:?}");
    }

    #[tokio::test]
    async fn a_figure_that_is_no_number_is_refused() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let mut store = Store::open(&dir.path().join("db")).await.expect("a store");
        let bad = HeatRun { tau_s: f64::NAN, ..run(1, "one", HeatWay::Cool) };
        store.commit(&[Write::HeatRun(Box::new(bad))]).await.expect_err("no number");
    }
}
