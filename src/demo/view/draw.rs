//! A board as a frame of lines: the season's progress, a bar of heat a region, what was told last.

use chrono::{Datelike, Days, NaiveDate};

use crate::demo::view::Step;
use crate::demo::view::board::{Board, Row, kind_words};
use crate::season::NoticeKind;

/// Narrower than this, a frame cannot say what it has to.
pub const NARROWEST: usize = 72;

/// One line of a frame; its text is the spans put together.
pub type Line = Vec<Span>;

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Span {
    pub text: String,
    pub style: Style,
}

/// How a span may be set off where colour is possible. Never the only bearer of a meaning.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Style {
    Plain,
    Faint,
    Strong,
    Notice(NoticeKind),
}

/// The signs a terminal can show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Glyphs {
    pub heat: char,
    pub heat_end: char,
    pub no_heat: char,
    /// A threshold still ahead, and one passed.
    pub ahead: char,
    pub passed: char,
    pub day: char,
    pub dot: &'static str,
    pub unit: &'static str,
    pub about: &'static str,
}

impl Glyphs {
    pub const UNICODE: Glyphs = Glyphs {
        heat: '━',
        heat_end: '╸',
        no_heat: '·',
        ahead: '│',
        passed: '╋',
        day: '●',
        dot: "·",
        unit: "°C·day",
        about: "~",
    };
    pub const ASCII: Glyphs = Glyphs {
        heat: '=',
        heat_end: '=',
        no_heat: '.',
        ahead: '|',
        passed: '#',
        day: 'o',
        dot: "-",
        unit: "degree-days C",
        about: "~",
    };
}

/// The board as lines of at most `width` columns, and at most `height` of them.
pub fn frame(board: &Board, width: usize, height: usize, glyphs: Glyphs) -> Vec<Line> {
    let width = width.max(NARROWEST);
    let mut lines = Vec::new();
    lines.push(title(board, width));
    lines.push(Line::new());
    lines.extend(calendar(board, width, glyphs));
    lines.push(Line::new());

    let columns = Columns::for_width(width);
    lines.extend(mark_lines(board, &columns, glyphs));
    // The highest region stands on top, as on a mountainside: the season climbs the page.
    lines.extend(board.rows.iter().rev().map(|row| region_line(board, row, &columns, glyphs)));
    lines.push(Line::new());
    lines.push(counts(board, glyphs));
    lines.extend(log(board, height.saturating_sub(lines.len())));
    lines.truncate(height);
    lines
}

/// Lines a frame needs at the least.
pub fn least_height(regions: usize) -> usize {
    regions + 11
}

/// `Mar 5`
pub fn short_date(day: NaiveDate) -> String {
    format!("{} {}", MONTHS[day.month0() as usize], day.day())
}

/// Cut to so many columns, with a sign that it was cut, and filled up with blanks.
pub fn fit(text: &str, columns: usize) -> String {
    let cut: String = if text.chars().count() > columns {
        text.chars().take(columns.saturating_sub(1)).chain(['~']).collect()
    } else {
        text.to_owned()
    };
    format!("{cut:<columns$}")
}

pub const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

struct Columns {
    name: usize,
    bar: usize,
    words: usize,
}

impl Columns {
    const SIGN: usize = 2;
    const HEIGHT: usize = 7;
    const SUM: usize = 5;

    fn for_width(width: usize) -> Self {
        let words = 24;
        let left = width - Self::SIGN - Self::HEIGHT - Self::SUM - 1 - words;
        let name = if left >= 44 { 18 } else { 15 };
        Self { name, bar: (left - name).min(48), words }
    }

    fn before_bar(&self) -> usize {
        Self::SIGN + self.name + Self::HEIGHT
    }
}

fn title(board: &Board, width: usize) -> Line {
    let left = format!(" {}, an invented state", board.place);
    let today = board.today;
    let right = format!("{} {}, {}  ", today.weekday(), short_date(today), today.year());
    let gap = width.saturating_sub(left.chars().count() + right.chars().count());
    vec![strong(left), plain(" ".repeat(gap)), strong(right)]
}

/// The played days as a line, with the months over it.
fn calendar(board: &Board, width: usize, glyphs: Glyphs) -> [Line; 2] {
    let cells = width - 4;
    let all = (board.last - board.first).num_days().max(1);
    let cell = |day: NaiveDate| {
        let at = (day - board.first).num_days().clamp(0, all);
        (at * (cells as i64 - 1) / all) as usize
    };
    let mut names = vec![' '; cells];
    for day in board.first.iter_days().take_while(|day| *day <= board.last).filter(|day| day.day() == 1) {
        put(&mut names, cell(day), MONTHS[day.month0() as usize]);
    }
    let now = cell(board.today);
    let before: String = std::iter::repeat_n(glyphs.heat, now).collect();
    let after: String = std::iter::repeat_n(glyphs.no_heat, cells - now - 1).collect();
    [
        vec![faint(format!("  {}", names.into_iter().collect::<String>().trim_end()))],
        vec![plain(format!("  {before}{}", glyphs.day)), faint(after)],
    ]
}

/// The thresholds' words and sums, over their places on the bars.
fn mark_lines(board: &Board, columns: &Columns, glyphs: Glyphs) -> [Line; 2] {
    let mut words = vec![' '; columns.bar];
    let mut sums = vec![' '; columns.bar];
    for mark in &board.scale.marks {
        let at = bar_cell(mark.degree_days, board.scale.end(), columns.bar);
        put_centred(&mut words, at, &mark.word);
        put_centred(&mut sums, at, &format!("{:.0}", mark.degree_days));
    }
    let line = |before: &str, bar: Vec<char>, after: &str| {
        let bar: String = bar.into_iter().collect();
        vec![faint(format!("  {}{bar} {after}", fit(before, columns.before_bar() - 2)).trim_end().to_owned())]
    };
    [line("", words, ""), line("region      height", sums, glyphs.unit)]
}

fn region_line(board: &Board, row: &Row, columns: &Columns, glyphs: Glyphs) -> Line {
    let newest = row.notices.values().map(|(day, _)| *day).max();
    let fresh = newest.is_some_and(|day| board.today <= day + Days::new(2));
    let waits = row.notices.values().any(|(_, step)| step.waits());
    let sign = if waits {
        '?'
    } else if fresh {
        '*'
    } else {
        ' '
    };
    let (words, style) = standing(board, row, glyphs);
    vec![
        strong(format!("{sign} ")),
        if fresh { strong(fit(&row.name, columns.name)) } else { plain(fit(&row.name, columns.name)) },
        faint(format!("{:>5.0} m", row.elevation_m)),
        Span { text: bar(board, row, columns.bar, glyphs), style },
        plain(format!("{:>width$.0} ", row.heat, width = Columns::SUM)),
        Span { text: fit(&words, columns.words).trim_end().to_owned(), style },
    ]
}

/// Heat as a bar with the thresholds standing in it.
fn bar(board: &Board, row: &Row, cells: usize, glyphs: Glyphs) -> String {
    let end = board.scale.end();
    // The first column keeps the bar off the height.
    let filled = if row.heat > 0.0 { bar_cell(row.heat, end, cells) } else { 0 };
    let mut signs: Vec<char> = (0..cells)
        .map(|at| match at {
            0 => ' ',
            at if at < filled => glyphs.heat,
            at if at == filled => glyphs.heat_end,
            _ => glyphs.no_heat,
        })
        .collect();
    for mark in &board.scale.marks {
        if let Some(sign) = signs.get_mut(bar_cell(mark.degree_days, end, cells)) {
            *sign = if row.heat >= mark.degree_days { glyphs.passed } else { glyphs.ahead };
        }
    }
    signs.into_iter().collect()
}

fn bar_cell(degree_days: f64, end: f64, cells: usize) -> usize {
    let share = (degree_days / end).clamp(0.0, 1.0);
    1 + (share * (cells.saturating_sub(2)) as f64) as usize
}

/// Where a region stands, in words: what was told last, and nothing of eggs that nobody saw.
fn standing(board: &Board, row: &Row, glyphs: Glyphs) -> (String, Style) {
    let about = |day: NaiveDate| format!("{}{}", glyphs.about, short_date(day));
    let told = |kind| row.notices.get(&kind).filter(|(_, step)| !matches!(step, Step::Skipped { .. }));
    let by =
        |words: &str| row.deadline.map_or_else(|| words.to_owned(), |day| format!("{words} by {}", short_date(day)));
    if let Some(deadline) = row.deadline.filter(|deadline| board.today > *deadline) {
        let is_seen = row.closes.seen;
        let words = if is_seen { "hatch seen, ended" } else { "washing ended" };
        (format!("{words} {}", short_date(deadline)), Style::Faint)
    } else if told(NoticeKind::LastDaysToWash).is_some() {
        (by("LAST DAYS,"), Style::Notice(NoticeKind::LastDaysToWash))
    } else if told(NoticeKind::WashNow).is_some() {
        (by("WASH NOW,"), Style::Notice(NoticeKind::WashNow))
    } else if let Some((day, _)) = told(NoticeKind::InspectNow) {
        (format!("INSPECT NOW since {}", short_date(*day)), Style::Notice(NoticeKind::InspectNow))
    } else if let Some(day) = row.opens.reached {
        let words = if row.opens.seen { "eggs seen" } else { "heat reached" };
        (format!("{words} {}", short_date(day)), Style::Strong)
    } else if told(NoticeKind::GetReady).is_some() {
        let eggs = row.opens.median.map_or_else(|| "later".to_owned(), about);
        (format!("get ready, eggs {eggs}"), Style::Notice(NoticeKind::GetReady))
    } else if let Some(day) = row.opens.median {
        (format!("eggs {}", about(day)), Style::Plain)
    } else {
        ("too early to say".to_owned(), Style::Faint)
    }
}

fn counts(board: &Board, glyphs: Glyphs) -> Line {
    let mut text = format!("  Sent so far: {} e-mails {} {} texts", board.emails, glyphs.dot, board.texts);
    match board.waiting() {
        0 => {}
        1 => text.push_str(&format!(" {} 1 notice waits (?)", glyphs.dot)),
        count => text.push_str(&format!(" {} {count} notices wait (?)", glyphs.dot)),
    }
    vec![strong(text)]
}

fn log(board: &Board, room: usize) -> Vec<Line> {
    let shown = room.min(6);
    let mut lines: Vec<Line> = board
        .latest
        .iter()
        .take(shown)
        .map(|told| {
            let name = board.row(&told.region).map_or(told.region.as_str(), |row| row.name.as_str());
            vec![
                faint(format!("  {:>6}  ", short_date(told.day))),
                plain(format!("{}  ", fit(name, 16))),
                Span { text: fit(kind_words(told.kind), 19), style: Style::Notice(told.kind) },
                plain(step_words(&told.step)),
            ]
        })
        .collect();
    // The frame keeps its height, so that what is below it does not jump.
    lines.resize(shown, Line::new());
    lines
}

/// What became of a notice, in words.
pub fn step_words(step: &Step) -> String {
    match step {
        Step::WaitsUnlessHeld => "waits, staff may hold it".to_owned(),
        Step::WaitsForStaff => "waits for staff to agree".to_owned(),
        Step::GoesOut { emails, texts, .. } => {
            let s = |count: u32| if count == 1 { "" } else { "s" };
            format!("{emails} e-mail{}, {texts} text{}", s(*emails), s(*texts))
        }
        Step::Skipped { reason } => fit(&format!("skipped: {reason}"), 25).trim_end().to_owned(),
    }
}

fn put(cells: &mut [char], at: usize, text: &str) {
    let length = text.chars().count();
    // A word that would run out or touch its neighbour is left out.
    let clear = at.saturating_sub(1)..(at + length + 1).min(cells.len());
    if at + length > cells.len() || cells[clear].iter().any(|cell| *cell != ' ') {
        return;
    }
    for (cell, letter) in cells[at..].iter_mut().zip(text.chars()) {
        *cell = letter;
    }
}

fn put_centred(cells: &mut [char], at: usize, text: &str) {
    let length = text.chars().count();
    let start = at.saturating_sub(length / 2).min(cells.len().saturating_sub(length));
    put(cells, start, text);
}

fn plain(text: String) -> Span {
    Span { text, style: Style::Plain }
}

fn faint(text: String) -> Span {
    Span { text, style: Style::Faint }
}

fn strong(text: String) -> Span {
    Span { text, style: Style::Strong }
}
