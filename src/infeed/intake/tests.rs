use std::fs;
use std::path::Path;

use futures_util::stream;

use super::super::fake::House;
use super::*;
use crate::foreman::RefusedCode;

type Body = Vec<Result<Bytes, &'static str>>;

fn body(pieces: &[&'static str]) -> Body {
    pieces.iter().map(|piece| Ok(Bytes::from_static(piece.as_bytes()))).collect()
}

async fn take(house: &House, name: &str, body: Body, options: TakeOptions) -> Result<Answer, TakeError> {
    house.intake(house.files()).take_stream(name, stream::iter(body), options, 1000).await
}

fn assert_nothing_is_left(house: &House) {
    assert!(house.list("data").is_empty(), "{:?}", house.list("data"));
    assert!(house.desk().jobs.is_empty());
}

#[tokio::test]
async fn a_body_in_pieces_becomes_a_job_as_asked() {
    let house = House::new();
    let options = TakeOptions {
        line: Some(LineName::new("east").expect("a name")),
        material: Some("pla".to_owned()),
        release_c: Some(31.5),
        ..TakeOptions::default()
    };
    let answer = take(&house, "../clip.4off.gcode", body(&["G28\n", "G1 ", "X1\n"]), options).await.expect("taken");
    let Answer::Job(job) = answer else { panic!("{answer:?}") };
    assert_eq!((job.name.as_str(), job.copies, job.release_c, &job.source_key), ("clip", 4, Some(31.5), &None));
    assert_eq!(house.list("data"), [format!("files/{}.gcode", job.sha256)]);
    let kept = fs::read(house.files().path(&job.sha256).expect("a path")).expect("there");
    assert_eq!(kept, b"G28\nG1 X1\n");
}

#[tokio::test]
async fn copies_by_request_go_before_those_of_the_name() {
    let house = House::new();
    let options = |copies| TakeOptions { copies: Some(copies), ..TakeOptions::default() };
    take(&house, "clip.4off.gcode", body(&["G28\n"]), options(9)).await.expect("taken");
    assert_eq!(house.desk().jobs[0].copies, 9);
    for copies in [0, COPIES_MAX + 1] {
        let error = take(&house, "clip.gcode", body(&["G28\n"]), options(copies)).await.expect_err("no such number");
        assert!(matches!(error, TakeError::Rejected(Rejection::Copies(_))), "{error:?}");
    }
}

#[tokio::test]
async fn a_body_that_ends_early_leaves_nothing() {
    let house = House::new();
    let mut broken = body(&["G28\n", "G1 X"]);
    broken.push(Err("connection reset"));
    let error = take(&house, "clip.gcode", broken, TakeOptions::default()).await.expect_err("broken");
    assert_eq!(error.to_string(), "the file broke off after 8 bytes (connection reset); send it again");
    assert_nothing_is_left(&house);
    assert!(house.desk().rejections.is_empty(), "nobody rejected it");
}

#[tokio::test]
async fn a_sender_that_gives_up_leaves_nothing() {
    let house = House::new();
    let files = house.files();
    let intake = house.intake(files);
    let endless = body(&["G28\n"]).into_iter();
    let unfinished = stream::iter(endless).chain(stream::pending());
    let taking = intake.take_stream("clip.gcode", unfinished, TakeOptions::default(), 1000);
    let given_up = tokio::time::timeout(Duration::from_millis(50), taking).await;
    assert!(given_up.is_err());
    for _ in 0..500 {
        if house.list("data").is_empty() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(2)).await;
    }
    assert_nothing_is_left(&house);
}

#[tokio::test]
async fn a_body_above_the_limit_is_cut_off_and_leaves_nothing() {
    let house = House::new();
    let long: Body = vec![Ok(Bytes::from(vec![b' '; 600])); 2];
    let error = take(&house, "clip.gcode", long, TakeOptions::default()).await.expect_err("too long");
    assert!(matches!(error, TakeError::TooLarge { limit: 1000 }), "{error:?}");
    assert_nothing_is_left(&house);
}

#[tokio::test]
async fn a_refused_body_is_answered_with_its_findings_and_noted() {
    let house = House::new();
    let error = take(&house, "clip.gcode", body(&["BAD\n"]), TakeOptions::default()).await.expect_err("refused");
    let TakeError::Rejected(rejection) = &error else { panic!("{error:?}") };
    assert_eq!(rejection.findings()[0].line, 1);
    assert_eq!(house.desk().rejections, [("clip.gcode".to_owned(), error.to_string())]);
    assert_nothing_is_left(&house);
}

#[tokio::test]
async fn what_the_foreman_refuses_for_good_is_noted_and_what_it_puts_off_is_not() {
    for (code, noted) in [(RefusedCode::DoesNotFit, 1), (RefusedCode::Busy, 0), (RefusedCode::Store, 0)] {
        let house = House::new();
        house.desk().refusals.push_back(code);
        let error = take(&house, "clip.gcode", body(&["G28\n"]), TakeOptions::default()).await.expect_err("refused");
        assert!(matches!(&error, TakeError::Refused(refused) if refused.code == code), "{error:?}");
        assert_eq!(house.desk().rejections.len(), noted, "{code:?}");
    }
}

#[tokio::test]
async fn a_full_disk_is_told_to_the_sender() {
    let house = House::new();
    let files = house.files().on_device(Path::new("/dev/full"));
    let pieces = stream::iter(body(&["G28\n"; 50]));
    let taken = house.intake(files).take_stream("clip.gcode", pieces, TakeOptions::default(), 1000).await;
    let error = taken.expect_err("no space");
    assert!(matches!(error, TakeError::Store(StoreError::DiskFull { .. })), "{error:?}");
    assert_nothing_is_left(&house);
}
