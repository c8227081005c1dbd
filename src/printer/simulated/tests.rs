use super::*;

/// A connection and what has been read of it.
struct Talk {
    link: Box<dyn Link>,
    unread: String,
}

impl Talk {
    async fn open(connect: &SimulatedConnect) -> Self {
        Self { link: connect.open().await.expect("the machine is there"), unread: String::new() }
    }

    async fn say(&mut self, line: &str) {
        self.link.write_all(format!("{line}\n").as_bytes()).await.expect("the link is open");
    }

    /// The next line; `None` when the connection is closed.
    async fn hear(&mut self) -> Option<String> {
        loop {
            if let Some((line, rest)) = self.unread.split_once('\n') {
                let line = line.to_owned();
                self.unread = rest.to_owned();
                return Some(line);
            }
            let mut buffer = [0; 16];
            let length = self.link.read(&mut buffer).await.expect("the link is open");
            if length == 0 {
                return None;
            }
            self.unread += std::str::from_utf8(&buffer[..length]).expect("text");
        }
    }

    async fn done(&mut self, line: &str) -> String {
        self.say(line).await;
        loop {
            let heard = self.hear().await.expect("the link stays open");
            if heard.starts_with("ok") {
                return heard;
            }
        }
    }
}

fn on(clock: &Clock) -> SimulatedConnect {
    SimulatedConnect::new(SimConfig::default(), clock.clone())
}

#[tokio::test]
async fn a_day_of_heating_and_cooling_passes_in_well_under_a_second() {
    let stopwatch = Clock::real();
    let clock = Clock::warped(1e6);
    let connect = on(&clock);
    let mut talk = Talk::open(&connect).await;
    assert_eq!(talk.hear().await.as_deref(), Some("start"));
    let begin = stopwatch.now();
    for hour in 0..24 {
        talk.done("M140 S60").await;
        // Ten minutes hot, fifty minutes off, a look every minute.
        for minute in 0..60 {
            if minute == 10 {
                talk.done("M140 S0").await;
            }
            assert!(talk.done("M105").await.starts_with("ok T:22.00"));
            let next = Moment::ZERO + Duration::from_secs(3600 * hour + 60 * (minute + 1));
            tokio::select! {
                heard = talk.hear() => panic!("nothing was asked, heard {heard:?}"),
                token = clock.sleep_until(next) => drop(token),
            }
        }
    }
    let took = stopwatch.now().since(begin);
    assert_eq!(clock.now(), Moment::ZERO + Duration::from_secs(86_400));
    assert!(took < Duration::from_millis(900), "{took:?}");
    let bed_c = connect.handle().truth().bed_c;
    assert!((22.0..23.0).contains(&bed_c), "{bed_c}");
}

#[tokio::test]
async fn the_clock_stops_for_a_reply_and_stands_still_while_it_is_dealt_with() {
    let clock = Clock::warped(1e9);
    let other = clock.clone();
    // Somebody else waits for moments before and long after.
    let sleeper = tokio::spawn(async move {
        for moment in [50_000, 3_600_000_000] {
            drop(other.sleep_until(Moment(moment)).await);
        }
    });
    let connect = on(&clock);
    let mut talk = Talk::open(&connect).await;
    talk.hear().await;
    for count in 1..=5 {
        talk.done("G4 P100").await;
        tokio::time::sleep(Duration::from_millis(5)).await;
        assert_eq!(clock.now(), Moment(100_000 * count));
    }
    drop(talk);
    sleeper.await.expect("the clock runs on");
}

#[tokio::test]
async fn giving_up_on_a_read_loses_no_bytes() {
    let clock = Clock::warped(1e9);
    let connect = on(&clock);
    let mut talk = Talk::open(&connect).await;
    let mut heard = Vec::new();
    talk.say("M155 S1").await;
    for _ in 0..200 {
        let mut buffer = [0; 7];
        tokio::select! {
            biased;
            read = talk.link.read(&mut buffer) => heard.extend_from_slice(&buffer[..read.expect("the link is open")]),
            () = tokio::task::yield_now() => {}
        }
    }
    let text = String::from_utf8(heard).expect("text");
    let whole = "T:22.00 /0.00 B:22.00 /0.00 T0:22.00 /0.00 @:0 B@:0";
    let mut lines: Vec<&str> = text.lines().collect();
    let last = lines.pop().expect("something was heard");
    assert_eq!(lines[..2], ["start", "ok"]);
    assert!(lines.len() > 5 && lines[2..].iter().all(|line| *line == whole), "{text}");
    assert!(whole.starts_with(last), "{last}");
}

#[tokio::test]
async fn the_machine_outlives_a_cut_connection() {
    let clock = Clock::warped(1e9);
    let connect = on(&clock);
    let mut talk = Talk::open(&connect).await;
    talk.done("M140 S60").await;
    talk.say("G4 S100").await;
    let handle = connect.handle();
    let cutter = clock.clone();
    let cut = tokio::spawn(async move {
        let _work = cutter.sleep_until(Moment(50_000_000)).await;
        handle.fault(Fault::Cut);
    });
    while talk.hear().await.is_some() {}
    cut.await.expect("the link was cut");
    assert_eq!(clock.now(), Moment(50_000_000));
    let error = talk.link.write_all(b"M105\n").await.expect_err("the link is dead");
    assert_eq!(error.kind(), io::ErrorKind::BrokenPipe);
    let mut again = Talk::open(&connect).await;
    assert_eq!(again.hear().await.as_deref(), Some("echo:busy: processing"), "the command under way goes on");
    assert!(again.done("M105").await.starts_with("ok"));
    assert_eq!(connect.handle().truth().bed_target_c, 60.0);
}

#[tokio::test]
async fn a_new_connection_ends_the_one_before() {
    let clock = Clock::warped(1e9);
    let connect = on(&clock);
    let mut first = Talk::open(&connect).await;
    let mut second = Talk::open(&connect).await;
    assert_eq!(first.hear().await, None);
    assert!(second.done("M105").await.starts_with("ok"));
}

#[tokio::test]
async fn opening_the_port_resets_a_machine_that_has_stopped() {
    let clock = Clock::warped(1e9);
    let connect = on(&clock);
    let mut talk = Talk::open(&connect).await;
    talk.hear().await;
    talk.say("M112").await;
    assert!(talk.hear().await.is_some_and(|line| line.starts_with("Error:")));
    drop(talk);
    let mut talk = Talk::open(&connect).await;
    assert_eq!(talk.hear().await.as_deref(), Some("start"));
    assert!(talk.done("M105").await.starts_with("ok"));
}

#[tokio::test]
async fn a_reset_from_outside_wakes_whoever_reads() {
    let clock = Clock::warped(1e9);
    let connect = on(&clock);
    let mut talk = Talk::open(&connect).await;
    talk.hear().await;
    let handle = connect.handle();
    let reset = tokio::spawn(async move {
        tokio::time::sleep(Duration::from_millis(20)).await;
        handle.fault(Fault::Reset);
    });
    assert_eq!(talk.hear().await.as_deref(), Some("start"));
    reset.await.expect("it was reset");
}

#[tokio::test]
async fn the_person_s_hand_reaches_the_belt() {
    let clock = Clock::warped(1e9);
    let connect = on(&clock);
    let mut talk = Talk::open(&connect).await;
    for line in ["M302 P1", "M83", "G1 Y50 E2 F600", "M400"] {
        talk.done(line).await;
    }
    let handle = connect.handle();
    assert_eq!((handle.truth().parts_on_belt.len(), handle.recent_commands().len()), (1, 4));
    talk.link.parts_taken_off();
    assert_eq!((handle.truth().parts_on_belt.len(), handle.truth().parts_taken_off), (0, 1));
    let notes: Vec<String> = std::iter::from_fn(|| handle.poll_note()).map(|note| note.what.to_string()).collect();
    assert_eq!(notes, ["the printer has started", "print 1 begun", "part 1 was taken off by hand"]);
}

#[tokio::test]
async fn it_runs_on_the_machine_s_clock_too() {
    let clock = Clock::real();
    let connect = on(&clock);
    let mut talk = Talk::open(&connect).await;
    talk.hear().await;
    let before = clock.now();
    talk.done("G4 P30").await;
    let took = clock.now().since(before);
    assert!((30..2_000).contains(&took.as_millis()), "{took:?}");
}
