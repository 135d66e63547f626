//! The live view of a season played at speed: events in, lines of text out.
//!
//! ```text
//! Event ─> Board (what is known) ─> draw (a frame of lines) ─> Screen (a terminal)
//!                                └─> plain (one line an event) ─> anything else
//! ```
//!
//! Only [`Screen`] and [`LiveView`] touch the outside; the rest is pure. Colour only repeats what the words say.

pub mod board;
pub mod draw;
pub mod plain;
pub mod screen;
pub mod table;

use std::io::{self, Write};
use std::time::Duration;

pub use board::{Board, BoardRegion, Mark, Scale};
pub use draw::{Glyphs, Line, Span, Style};
pub use screen::{Manner, Screen};

pub use crate::service::event::{Event, Step};

/// How fast a season goes by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Speed {
    /// Two days a second: about a minute and a half.
    Slow,
    /// Seven days a second: about 25 seconds.
    Normal,
    /// Twenty-five days a second: some seconds.
    Fast,
    /// As fast as the machine can.
    AtOnce,
}

impl Speed {
    /// How long the view rests on a day.
    pub fn rest(self) -> Duration {
        Duration::from_millis(match self {
            Speed::Slow => 500,
            Speed::Normal => 140,
            Speed::Fast => 40,
            Speed::AtOnce => 0,
        })
    }
}

/// Shows events as they come, in the manner the outside allows.
pub struct LiveView<W: Write> {
    board: Board,
    manner: Manner,
    screen: Screen<W>,
    rest: Duration,
}

impl<W: Write> LiveView<W> {
    pub fn new(board: Board, out: W, manner: Manner, speed: Speed) -> Self {
        Self { board, manner, screen: Screen::new(out), rest: speed.rest() }
    }

    /// Takes one event. In the live manner a new day is drawn and rested on; in plain lines nothing waits.
    ///
    /// # Errors
    /// When the outside cannot be written to.
    #[expect(clippy::disallowed_methods, reason = "the season waits for who watches it")]
    pub fn handle(&mut self, event: Event) -> io::Result<()> {
        let is_day = matches!(event, Event::Day { .. });
        if is_day {
            // The day that ends is drawn with all that happened on it.
            self.draw()?;
        }
        let lines = plain::lines(&self.board, &event);
        self.board.apply(event);
        if self.manner == Manner::Plain {
            self.screen.add(&lines)?;
        } else if is_day {
            self.draw()?;
            std::thread::sleep(self.rest);
        }
        Ok(())
    }

    /// Draws the last state, then the closing table under it, and gives the board back.
    ///
    /// # Errors
    /// When the outside cannot be written to.
    pub fn close(mut self) -> io::Result<Board> {
        self.draw()?;
        let mut lines = vec![String::new()];
        lines.extend(table::lines(&self.board, self.manner.glyphs()));
        self.screen.add(&lines)?;
        Ok(self.board)
    }

    fn draw(&mut self) -> io::Result<()> {
        let Manner::Live { width, height, glyphs, colour } = self.manner else { return Ok(()) };
        let frame = draw::frame(&self.board, width, height, glyphs);
        self.screen.show(&frame, colour)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use chrono::{Days, NaiveDate};

    use super::*;
    use crate::demo::state::State;
    use crate::demo::weather;
    use crate::heat::{Cutoff, DayTemperatures, HeatRule, Method};
    use crate::people::Channel;
    use crate::region::RegionId;
    use crate::season::outlook::WashShare;
    use crate::season::{
        DateSpread, NoticeKind, Outlook, Reached, ReachedBy, RecordTrust, SeasonKey, StageId, StageOutlook,
    };

    /// A season as it might go: real sums of the invented weather, and dates known three days too late beforehand.
    fn season(state: &State, weather: &weather::StateWeather, year: i32) -> (Board, Vec<Event>) {
        let rule = HeatRule::new(Method::SingleSine, 4.0, Some(30.0), Cutoff::Horizontal).unwrap();
        let first = NaiveDate::from_ymd_opt(year, 1, 1).unwrap();
        let last = NaiveDate::from_ymd_opt(year, 6, 30).unwrap();
        let mark = |word: &str, degree_days| Mark { word: word.to_owned(), degree_days };
        let scale = Scale {
            marks: vec![mark("lay", 214.0), mark("end", 306.0), mark("hatch", 464.0)],
            opens: "egg-laying-begins".into(),
            closes: "eggs-hatch".into(),
        };
        let regions = state.regions.iter().map(|region| BoardRegion {
            id: region.region.id.clone(),
            name: region.region.name.clone(),
            elevation_m: region.region.elevation_m,
        });
        let board = Board::new(&state.name, first, last, scale, regions);

        let sums: Vec<(RegionId, Vec<f64>)> = state
            .regions
            .iter()
            .map(|region| {
                let station = weather.stations.iter().find(|s| s.id == region.region.stations[0]).unwrap();
                let start = (first - weather.first).num_days() as usize;
                let mut sum = 0.0;
                let sums = station.truth[start..start + 250].iter().map(|day| {
                    sum += rule.degree_days(DayTemperatures { min_c: day.min.c(), max_c: day.max.c() }, None);
                    sum
                });
                (region.region.id.clone(), sums.collect())
            })
            .collect();

        let mut events = Vec::new();
        for (at, day) in first.iter_days().take_while(|day| *day <= last).enumerate() {
            let outlook = |(region, sums): &(RegionId, Vec<f64>)| {
                let stage = |id: &str, degree_days: f64| {
                    let on = first + Days::new(sums.partition_point(|sum| *sum < degree_days) as u64);
                    let median = Some(on + Days::new(3));
                    StageOutlook {
                        stage: StageId::from(id),
                        at_sum: None,
                        reached: (on <= day).then_some(Reached { on, on_real_days: true, by: ReachedBy::Model }),
                        spread: DateSpread { early: Some(on), median, late: median },
                        dates: Vec::new(),
                        not_reached: 0,
                        past: None,
                        parts: None,
                    }
                };
                let first_wash = first + Days::new(sums.partition_point(|sum| *sum < 330.0) as u64);
                Outlook {
                    season: SeasonKey { profile: state.profile.clone(), region: region.clone(), year },
                    today: day,
                    last_day: Some(day),
                    newest_real_day: Some(day),
                    heat_sum: sums[at],
                    observed_sum: sums[at],
                    current_stage: None,
                    stages: vec![stage("egg-laying-begins", 214.0), stage("eggs-hatch", 464.0)],
                    filled_days: 0,
                    trust: RecordTrust::Sound,
                    trace_years: Vec::new(),
                    forecast_days: 0,
                    station: "".into(),
                    forecast_fit: None,
                    borrowed: None,
                    profile_version: 1,
                    wash: Some(WashShare { first: first_wash, one: vec![0.9; 20], second: None }),
                    learned: None,
                }
            };
            let outlooks: Vec<Outlook> = sums.iter().map(outlook).collect();
            events.push(Event::Day { day, outlooks: outlooks.clone() });
            for (outlook, (id, sums)) in outlooks.iter().zip(&sums) {
                let first_at =
                    |from: usize, target: f64| (from + 1..=at).all(|i| sums[i - 1] < target) && sums[at] >= target;
                let kinds = [
                    (NoticeKind::GetReady, 130.0),
                    (NoticeKind::InspectNow, 200.0),
                    (NoticeKind::WashNow, 330.0),
                    (NoticeKind::LastDaysToWash, 400.0),
                ];
                let deadline = first + Days::new(sums.partition_point(|sum| *sum < 440.0) as u64);
                for (kind, _) in kinds.into_iter().filter(|(_, target)| first_at(0, *target)) {
                    let notice = |step| Event::Notice { day, region: id.clone(), kind, step };
                    if outlook.season.region == "mesa-callada" && kind == NoticeKind::InspectNow {
                        events.push(notice(Step::WaitsForStaff));
                        continue;
                    }
                    let tells = matches!(kind, NoticeKind::WashNow | NoticeKind::LastDaysToWash);
                    events.push(notice(Step::GoesOut { emails: 2, texts: 1, deadline: tells.then_some(deadline) }));
                    for channel in [Channel::Email, Channel::Sms, Channel::Email] {
                        events.push(Event::Delivered { region: id.clone(), channel });
                    }
                }
            }
        }
        (board, events)
    }

    fn played_to(day: NaiveDate) -> Board {
        let state = State::built_in().unwrap();
        let (mut board, events) = season(&state, &weather::make(&state, 1), 2025);
        for event in events.into_iter().take_while(|e| !matches!(e, Event::Day { day: at, .. } if *at > day)) {
            board.apply(event);
        }
        board
    }

    fn text(line: &Line) -> String {
        line.iter().map(|span| span.text.as_str()).collect()
    }

    fn march() -> NaiveDate {
        NaiveDate::from_ymd_opt(2025, 3, 25).unwrap()
    }

    #[test]
    fn a_frame_keeps_its_columns_and_its_height_all_season_long() {
        for width in [72, 80, 110] {
            for glyphs in [Glyphs::UNICODE, Glyphs::ASCII] {
                let mut heights = BTreeSet::new();
                for day in march().iter_days().step_by(19).take(6) {
                    let frame = draw::frame(&played_to(day), width, 23, glyphs);
                    for line in &frame {
                        assert!(text(line).chars().count() <= width, "{:?}", text(line));
                        assert!(glyphs == Glyphs::UNICODE || text(line).is_ascii(), "{:?}", text(line));
                    }
                    heights.insert(frame.len());
                }
                assert_eq!(heights.len(), 1, "{heights:?}");
            }
        }
    }

    #[test]
    fn a_frame_says_where_each_region_stands_without_colour() {
        let frame: Vec<String> = draw::frame(&played_to(march()), 80, 23, Glyphs::UNICODE).iter().map(text).collect();
        let whole = frame.join("\n");
        println!("{whole}");
        assert!(frame[0].contains("Altaseca, an invented state") && frame[0].contains("Tue Mar 25, 2025"), "{whole}");
        for word in ["lay", "end", "hatch", "214", "306", "464"] {
            assert!(whole.contains(word), "{word}: {whole}");
        }
        let row = |name: &str| frame.iter().position(|line| line.contains(name)).unwrap();
        assert!(row("Cerro Nublo") < row("Dos Vientos") && row("Dos Vientos") < row("Cobre Bend"), "{whole}");
        let low = &frame[row("Cobre Bend")];
        assert!(low.contains("LAST DAYS, by ") || low.contains("washing ended"), "{low}");
        assert!(whole.contains("WASH NOW, by ") && whole.contains("INSPECT NOW since"), "{whole}");
        assert!(whole.contains("get ready, eggs ~"), "{whole}");
        for claim in ["laid", "hatched", "eggs seen"] {
            assert!(!whole.contains(claim), "nobody saw eggs: {whole}");
        }
        assert!(whole.contains("2 e-mails, 1 text"), "{whole}");
    }

    #[test]
    fn a_bar_grows_with_heat_and_marks_what_is_passed() {
        let board = played_to(march());
        let bar = |name: &str| {
            let frame = draw::frame(&board, 80, 23, Glyphs::ASCII);
            let line = frame.iter().map(text).find(|line| line.contains(name)).unwrap();
            line.chars().filter(|sign| "=#|.".contains(*sign)).collect::<String>()
        };
        let count = |bar: &str, sign: char| bar.chars().filter(|s| *s == sign).count();
        let (low, high) = (bar("Cobre Bend"), bar("Cerro Nublo"));
        assert!(count(&low, '=') > count(&high, '=') + 5, "{low} {high}");
        assert_eq!((count(&high, '|'), count(&high, '#')), (3, 0));
        assert!(count(&low, '#') >= 1 && count(&low, '#') + count(&low, '|') == 3, "{low}");
        assert_eq!(low.chars().count(), high.chars().count());
    }

    #[test]
    fn a_notice_that_waits_for_staff_is_seen() {
        let board = played_to(NaiveDate::from_ymd_opt(2025, 5, 20).unwrap());
        let frame: Vec<String> = draw::frame(&board, 80, 40, Glyphs::UNICODE).iter().map(text).collect();
        assert!(frame.iter().any(|line| line.starts_with("? Mesa Callada")), "{}", frame.join("\n"));
        assert!(frame.iter().any(|line| line.contains("1 notice waits (?)")));
    }

    #[test]
    fn a_low_terminal_gets_a_shorter_log_and_never_more_lines_than_it_has() {
        let board = played_to(march());
        let all = draw::frame(&board, 80, 60, Glyphs::UNICODE).len();
        let low = draw::least_height(board.rows.len());
        assert_eq!(draw::frame(&board, 80, low, Glyphs::UNICODE).len(), low);
        assert!(all > low);
        assert_eq!(draw::frame(&board, 80, 5, Glyphs::UNICODE).len(), 5);
    }

    #[test]
    fn the_closing_table_fits_80_columns_and_has_every_region() {
        let board = played_to(NaiveDate::from_ymd_opt(2025, 6, 30).unwrap());
        for glyphs in [Glyphs::UNICODE, Glyphs::ASCII] {
            let lines = table::lines(&board, glyphs);
            println!("{}", lines.join("\n"));
            assert!(lines.iter().all(|line| line.chars().count() <= 80), "{}", lines.join("\n"));
            for row in &board.rows {
                let line = lines.iter().find(|line| line.starts_with(&row.name)).unwrap();
                let waiting = row.id == "mesa-callada";
                assert_eq!(line.contains("none"), waiting, "{line}");
            }
            let all = lines.iter().find(|line| line.starts_with("all")).unwrap();
            assert!(all.contains(&board.emails.to_string()) && all.contains(&board.texts.to_string()));
        }
        assert_eq!(board.emails, 2 * board.texts);
        assert!(
            table::lines(&board, Glyphs::UNICODE)
                .iter()
                .any(|line| line.starts_with("Our heat number for egg laying was reached on"))
        );
    }

    #[test]
    fn an_empty_board_is_drawn_and_summed_up_too() {
        let scale = Scale { marks: Vec::new(), opens: "a".into(), closes: "b".into() };
        let board = Board::new("Nowhere", march(), march(), scale, []);
        assert!(!draw::frame(&board, 80, 23, Glyphs::UNICODE).is_empty());
        assert!(!table::lines(&board, Glyphs::UNICODE).is_empty());
    }

    #[test]
    fn long_names_and_unknown_regions_do_no_harm() {
        let scale = Scale {
            marks: vec![Mark { word: "lay".into(), degree_days: 214.0 }],
            opens: "a".into(),
            closes: "b".into(),
        };
        let long =
            BoardRegion { id: "x".into(), name: "A name far too long for its column".into(), elevation_m: 99_999.0 };
        let mut board = Board::new("Nowhere", march(), march() + Days::new(100), scale, [long]);
        board.apply(Event::Delivered { region: "none of ours".into(), channel: Channel::Sms });
        let step = Step::Skipped { reason: "a reason that takes more room than a line of the log has to give".into() };
        board.apply(Event::Notice { day: march(), region: "x".into(), kind: NoticeKind::GetReady, step: step.clone() });
        let event = Event::Notice { day: march(), region: "no".into(), kind: NoticeKind::GetReady, step };
        assert!(plain::lines(&board, &event).is_empty());
        board.apply(event);
        for line in draw::frame(&board, 72, 23, Glyphs::UNICODE) {
            assert!(text(&line).chars().count() <= 72, "{:?}", text(&line));
        }
        assert!(table::lines(&board, Glyphs::UNICODE).iter().all(|line| line.chars().count() <= 80));
        assert_eq!(board.emails + board.texts, 0);
    }

    #[test]
    fn plain_lines_tell_the_season_without_a_single_escape() {
        let state = State::built_in().unwrap();
        let (board, events) = season(&state, &weather::make(&state, 1), 2025);
        let mut out = Vec::new();
        let mut view = LiveView::new(board, &mut out, Manner::Plain, Speed::AtOnce);
        for event in events {
            view.handle(event).unwrap();
        }
        view.close().unwrap();
        let said = String::from_utf8(out).unwrap();
        println!("{said}");
        assert!(!said.contains('\x1b'));
        assert_eq!(said.lines().filter(|line| line.contains("heat so far")).count(), 6);
        assert_eq!(said.lines().filter(|line| line.contains("get ready: 2 e-mails, 1 text")).count(), 9);
        assert!(said.contains("Mesa Callada (2120 m), inspect now: waits for staff to agree"), "{said}");
        assert!(said.contains("season 2025: the lowest region first"));
    }

    #[test]
    fn live_frames_are_drawn_over_each_other_and_colour_can_be_left_out() {
        for colour in [false, true] {
            let state = State::built_in().unwrap();
            let (board, events) = season(&state, &weather::make(&state, 1), 2025);
            let mut out = Vec::new();
            let manner = Manner::Live { width: 80, height: 23, glyphs: Glyphs::UNICODE, colour };
            let mut view = LiveView::new(board, &mut out, manner, Speed::AtOnce);
            for event in events.into_iter().take(60) {
                view.handle(event).unwrap();
            }
            view.close().unwrap();
            let said = String::from_utf8(out).unwrap();
            let height = draw::frame(&played_to(march()), 80, 23, Glyphs::UNICODE).len();
            assert!(said.contains(&format!("\x1b[{height}A\r")));
            assert_eq!(said.contains("\x1b[1m"), colour);
        }
    }

    #[test]
    fn the_manner_follows_the_surroundings() {
        let terminal = screen::Surroundings {
            is_terminal: true,
            size: Some((24, 80)),
            no_colour: false,
            term: Some("xterm-256color".into()),
            locale: Some("es_ES.UTF-8".into()),
        };
        let live = |glyphs, colour| Manner::Live { width: 80, height: 23, glyphs, colour };
        let choose = |change: fn(&mut screen::Surroundings)| {
            let mut around = terminal.clone();
            change(&mut around);
            Manner::choose(&around, 9)
        };
        assert_eq!(choose(|_| {}), live(Glyphs::UNICODE, true));
        assert_eq!(choose(|around| around.no_colour = true), live(Glyphs::UNICODE, false));
        assert_eq!(choose(|around| around.locale = Some("C".into())), live(Glyphs::ASCII, true));
        assert_eq!(choose(|around| around.is_terminal = false), Manner::Plain);
        assert_eq!(choose(|around| around.term = Some("dumb".into())), Manner::Plain);
        assert_eq!(choose(|around| around.term = None), Manner::Plain);
        assert_eq!(choose(|around| around.size = None), Manner::Plain);
        assert_eq!(choose(|around| around.size = Some((24, 60))), Manner::Plain);
        assert_eq!(choose(|around| around.size = Some((15, 80))), Manner::Plain);
    }
}
