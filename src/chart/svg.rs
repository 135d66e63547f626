//! Writing SVG: escaping, numbers, text with a known size.

use std::fmt::Write as _;

/// Size of the body text, px.
pub const BODY: f64 = 15.0;

/// Families tried in order; the last is what every reader has.
pub const FONTS: &str = "system-ui, 'Segoe UI', Roboto, 'DejaVu Sans', sans-serif";

/// An SVG under way. Coordinates are px; one that is not a finite number is written as 0.
#[derive(Default)]
pub struct Canvas {
    body: String,
}

/// What a class looks like, in bark for the season, needle for past years and juniper berry for dates: (class, attributes, colour on light, colour on dark). Colours go where the attributes say `$`.
/// The light ones stand on the elements themselves, so that a picture is right also where style sheets are taken out.
const PAINTS: &[(&str, &str, &str, &str)] = &[
    ("paper", "fill=$", "#fffdf8", "#171917"),
    ("ink", "fill=$", "#23211c", "#f1ecdf"),
    ("soft", "fill=$", "#443f34", "#dbd4c6"),
    ("halo", "stroke=$", "#fffdf8", "#171917"),
    ("grid", "stroke=$ stroke-width='1'", "#e8e2d4", "#32342f"),
    ("rule", "stroke=$ stroke-width='1'", "#d8d0be", "#43453e"),
    ("axis", "stroke=$ stroke-width='1.2'", "#443f34", "#dbd4c6"),
    ("today", "stroke=$ stroke-width='1.2' stroke-dasharray='2 2'", "#23211c", "#f1ecdf"),
    ("needles", "fill='none' stroke=$ stroke-width='1.3' stroke-linejoin='round'", "#a9b389", "#535d44"),
    ("node", "stroke=$ stroke-width='2.4'", "#3c491f", "#c6d39d"),
    ("few", "fill='none' stroke=$ stroke-width='1.2'", "#8a9468", "#7c8764"),
    ("season", "fill='none' stroke=$ stroke-width='4' stroke-linejoin='round'", "#54300f", "#eccb9c"),
    (
        "forecast",
        "fill='none' stroke=$ stroke-width='4.6' stroke-dasharray='0.1 7' stroke-linecap='round'",
        "#54300f",
        "#eccb9c",
    ),
    ("season-core", "fill='none' stroke=$ stroke-width='1.8' stroke-linejoin='round'", "#fffdf8", "#171917"),
    ("season-dot", "fill=$", "#54300f", "#eccb9c"),
    ("threshold-a", "stroke=$ stroke-width='1.2'", "#23211c", "#f1ecdf"),
    ("threshold-b", "stroke=$ stroke-width='1.2' stroke-dasharray='9 5'", "#23211c", "#f1ecdf"),
    ("threshold-c", "stroke=$ stroke-width='1.2' stroke-dasharray='2 4'", "#23211c", "#f1ecdf"),
    ("threshold-d", "stroke=$ stroke-width='1.2' stroke-dasharray='9 4 2 4'", "#23211c", "#f1ecdf"),
    ("window", "fill=$ stroke='none'", "#b3a5d6", "#5a4d8c"),
    ("pole", "stroke=$ stroke-width='2'", "#43377a", "#c3b8f5"),
    ("drop", "stroke=$ stroke-width='1' stroke-dasharray='1 3'", "#43377a", "#c3b8f5"),
    ("bar", "stroke=$ stroke-width='4'", "#43377a", "#c3b8f5"),
    ("cap", "fill='none' stroke=$ stroke-width='2.2'", "#43377a", "#c3b8f5"),
    ("mark", "fill=$", "#43377a", "#c3b8f5"),
    ("open-bar", "fill='none' stroke=$ stroke-width='3' stroke-dasharray='3 5'", "#43377a", "#c3b8f5"),
    ("hollow", "fill='none' stroke=$ stroke-width='2.4'", "#43377a", "#c3b8f5"),
    ("hill-before", "fill=$ stroke='none'", "#e4dff2", "#2c2942"),
    ("hill-before-edge", "fill='none' stroke=$ stroke-width='1.4' stroke-dasharray='5 4'", "#6a5ca6", "#9a8fd0"),
    ("hill-after", "fill=$ stroke='none' fill-opacity='0.62'", "#8c7fc0", "#6a5db0"),
    ("hill-after-edge", "fill='none' stroke=$ stroke-width='2.2' stroke-linejoin='round'", "#43377a", "#c3b8f5"),
    ("mark-edge", "stroke=$ stroke-width='1.6'", "#fffdf8", "#171917"),
];

/// The attributes of an element of some classes, parted by blanks, the class attribute included.
pub fn paint(classes: &str) -> String {
    let mut attributes = format!(r#"class="{classes}""#);
    for (_, look, light, _) in PAINTS.iter().filter(|(class, ..)| classes.split(' ').any(|of| of == *class)) {
        let _ = write!(attributes, " {}", look.replace('$', &format!("'{light}'")).replace('\'', "\""));
    }
    attributes
}

/// Colours for readers who prefer dark pages. The rules reach only into the picture with this id.
pub fn dark_style(id: &str) -> String {
    let mut rules = String::from("@media (prefers-color-scheme: dark) {");
    for (class, look, _, dark) in PAINTS {
        let property = if look.starts_with("fill=$") { "fill" } else { "stroke" };
        let _ = write!(rules, " #{id} .{class} {{ {property}: {dark} }}");
    }
    rules.push_str(" }");
    rules
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TextStyle {
    pub size: f64,
    pub bold: bool,
    pub anchor: Anchor,
    pub class: &'static str,
    /// Drawn with an edge of paper around it, so that it can be read over lines.
    pub halo: bool,
}

impl TextStyle {
    pub const fn plain(class: &'static str) -> Self {
        Self { size: BODY, bold: false, anchor: Anchor::Start, class, halo: false }
    }

    pub const fn size(self, size: f64) -> Self {
        Self { size, ..self }
    }

    pub const fn bold(self) -> Self {
        Self { bold: true, ..self }
    }

    pub const fn anchor(self, anchor: Anchor) -> Self {
        Self { anchor, ..self }
    }

    pub const fn halo(self) -> Self {
        Self { halo: true, ..self }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// The room a text takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extent {
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
}

impl Extent {
    pub fn overlaps(&self, other: &Extent) -> bool {
        self.left < other.right && other.left < self.right && self.top < other.bottom && other.top < self.bottom
    }
}

/// Where a text at a baseline stands: `y` is the baseline.
pub fn extent(x: f64, y: f64, text: &str, style: TextStyle) -> Extent {
    let width = text_width(text, style.size, style.bold);
    let left = match style.anchor {
        Anchor::Start => x,
        Anchor::Middle => x - width / 2.0,
        Anchor::End => x - width,
    };
    Extent { left, right: left + width, top: y - 0.93 * style.size, bottom: y + 0.24 * style.size }
}

/// Advance widths of DejaVu Sans, thousandths of the size, from U+0020 to U+007E. It is the font the PNG is drawn with and among
/// the widest of those a browser may choose, so that what fits by it fits anyway.
const ADVANCES: [u16; 95] = [
    318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636, 636, 636, 636, 636,
    636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632, 575, 775, 752, 295, 295, 656, 557, 863,
    748, 787, 603, 787, 695, 635, 611, 732, 684, 989, 685, 611, 685, 390, 337, 390, 838, 500, 500, 613, 635, 550, 635,
    615, 352, 635, 634, 278, 278, 579, 278, 974, 634, 612, 635, 635, 411, 521, 392, 634, 592, 818, 592, 592, 525, 636,
    337, 636, 838,
];

/// Width of a text, px. Signs outside the table count as wide ones.
pub fn text_width(text: &str, size: f64, bold: bool) -> f64 {
    let thousandths: u32 = text
        .chars()
        .map(|sign| match sign {
            ' '..='~' => u32::from(ADVANCES[sign as usize - 0x20]),
            '\u{a0}' => 318,
            'à'..='ö' | 'ø'..='ÿ' | '°' | '·' | '–' => 640,
            _ => 1000,
        })
        .sum();
    // The bold cut is a tenth to an eighth wider.
    f64::from(thousandths) / 1000.0 * size * if bold { 1.13 } else { 1.0 }
}

/// Breaks a text between words so that each line fits; a single word that does not fit is cut. A no-break space holds
/// what belongs together.
pub fn wrap(text: &str, width: f64, size: f64, bold: bool) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split([' ', '\t', '\n', '\r']).filter(|word| !word.is_empty()) {
        let word = cut(word, width, size, bold);
        match lines.last_mut() {
            Some(line) if text_width(&format!("{line} {word}"), size, bold) <= width => {
                line.push(' ');
                line.push_str(&word);
            }
            _ => lines.push(word),
        }
    }
    lines
}

fn cut(word: &str, width: f64, size: f64, bold: bool) -> String {
    if text_width(word, size, bold) <= width {
        return word.to_owned();
    }
    let mut kept = String::new();
    for letter in word.chars() {
        kept.push(letter);
        if text_width(&kept, size, bold) + text_width("…", size, bold) > width {
            kept.pop();
            break;
        }
    }
    kept.push('…');
    kept
}

impl Canvas {
    pub fn text(&mut self, x: f64, y: f64, text: &str, style: TextStyle) {
        let weight = if style.bold { r#" font-weight="bold""# } else { "" };
        let anchor = match style.anchor {
            Anchor::Start => "",
            Anchor::Middle => r#" text-anchor="middle""#,
            Anchor::End => r#" text-anchor="end""#,
        };
        let halo = if style.halo { r#" paint-order="stroke" stroke-width="4" stroke-linejoin="round""# } else { "" };
        let classes = if style.halo { format!("{} halo", style.class) } else { style.class.to_owned() };
        let (x, y, size) = (number(x), number(y), number(style.size));
        let (paint, text) = (paint(&classes), escape(text));
        let _ = writeln!(
            self.body,
            r#"<text x="{x}" y="{y}" font-size="{size}"{weight}{anchor}{halo} {paint}>{text}</text>"#
        );
    }

    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), class: &str) {
        let (x1, y1, x2, y2) = (number(from.0), number(from.1), number(to.0), number(to.1));
        let _ = writeln!(self.body, r#"<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" {}/>"#, paint(class));
    }

    /// An open run of straight lines.
    pub fn run(&mut self, points: &[(f64, f64)], class: &str) {
        if points.len() > 1 {
            let _ = writeln!(self.body, r#"<polyline points="{}" {}/>"#, join(points), paint(class));
        }
    }

    /// A closed area.
    pub fn area(&mut self, points: &[(f64, f64)], class: &str) {
        if points.len() > 2 {
            let _ = writeln!(self.body, r#"<polygon points="{}" {}/>"#, join(points), paint(class));
        }
    }

    pub fn rect(&mut self, x: f64, y: f64, width: f64, height: f64, class: &str) {
        let (x, y, width, height) = (number(x), number(y), number(width.max(0.0)), number(height.max(0.0)));
        let _ = writeln!(self.body, r#"<rect x="{x}" y="{y}" width="{width}" height="{height}" {}/>"#, paint(class));
    }

    pub fn dot(&mut self, x: f64, y: f64, radius: f64, class: &str) {
        let (x, y, radius) = (number(x), number(y), number(radius));
        let _ = writeln!(self.body, r#"<circle cx="{x}" cy="{y}" r="{radius}" {}/>"#, paint(class));
    }

    pub fn diamond(&mut self, x: f64, y: f64, half: f64, class: &str) {
        self.area(&[(x - half, y), (x, y - half), (x + half, y), (x, y + half)], class);
    }

    /// Elements drawn inside a clipping path.
    pub fn clipped(&mut self, clip: &str, inside: Canvas) {
        let _ = writeln!(self.body, r#"<g clip-path="url(#{clip})">"#);
        self.body.push_str(&inside.body);
        self.body.push_str("</g>\n");
    }

    /// The parts drawn so far.
    pub fn into_body(self) -> String {
        self.body
    }
}

fn join(points: &[(f64, f64)]) -> String {
    let mut text = String::with_capacity(points.len() * 12);
    for (x, y) in points {
        if !text.is_empty() {
            text.push(' ');
        }
        let _ = write!(text, "{},{}", number(*x), number(*y));
    }
    text
}

/// To a tenth of a pixel, without a needless point or minus.
pub fn number(value: f64) -> String {
    let value = if value.is_finite() { (value * 10.0).round() / 10.0 } else { 0.0 };
    // Adding nought turns a minus nought into nought.
    format!("{}", value + 0.0)
}

/// Text that is safe between tags and in double quotes. What XML 1.0 cannot hold is left out.
pub fn escape(text: &str) -> String {
    let held: String = text
        .chars()
        .map(|sign| if matches!(sign, '\t' | '\n' | '\r') { ' ' } else { sign })
        .filter(|sign| !matches!(sign, '\u{0}'..='\u{1f}' | '\u{fffe}' | '\u{ffff}'))
        .collect();
    crate::text::escape_with(&held, "'")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short_and_always_numbers() {
        assert_eq!(number(1.0), "1");
        assert_eq!(number(-0.04), "0");
        assert_eq!(number(12.3456), "12.3");
        assert_eq!(number(f64::NAN), "0");
        assert_eq!(number(f64::INFINITY), "0");
    }

    #[test]
    fn text_cannot_leave_its_element() {
        assert_eq!(escape("a<b & \"c\">\u{0}\u{b}\nd"), "a&lt;b &amp; &quot;c&quot;&gt; d");
    }

    /// Relative luminance and contrast as WCAG 2.2 defines them (success criteria 1.4.3 and 1.4.11).
    fn contrast(a: &str, b: &str) -> f64 {
        let luminance = |colour: &str| {
            let part = |at: usize| {
                let share = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).unwrap()) / 255.0;
                if share <= 0.04045 { share / 12.92 } else { ((share + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn text_and_lines_stand_out_on_both_papers_and_on_the_needles() {
        assert!((contrast("#ffffff", "#000000") - 21.0).abs() < 1e-9, "the formula's own end points");
        let colour = |class: &str| {
            PAINTS.iter().find(|(of, ..)| *of == class).map(|(_, _, light, dark)| (*light, *dark)).unwrap()
        };
        for behind in ["paper", "needles"] {
            let under = colour(behind);
            for (class, least) in [
                ("ink", 4.5),
                ("soft", 4.5),
                ("season", 3.0),
                ("forecast", 3.0),
                ("node", 3.0),
                ("mark", 3.0),
                ("bar", 3.0),
                ("cap", 3.0),
                ("today", 3.0),
                ("threshold-a", 3.0),
                ("axis", 3.0),
            ] {
                let over = colour(class);
                assert!(contrast(over.0, under.0) >= least, "{class} on light {behind}: {}", contrast(over.0, under.0));
                assert!(contrast(over.1, under.1) >= least, "{class} on dark {behind}: {}", contrast(over.1, under.1));
            }
        }
    }

    #[test]
    fn wrapped_lines_fit_and_lose_no_word() {
        let text = "heat since 1 January above the lower threshold, and a wordwordwordwordwordwordwordwordword";
        for width in [60.0, 120.0, 400.0] {
            let lines = wrap(text, width, BODY, false);
            assert!(lines.iter().all(|line| text_width(line, BODY, false) <= width), "{width}: {lines:?}");
        }
        assert_eq!(wrap("one two three", 1000.0, BODY, true), ["one two three"]);
        assert!(wrap("  ", 100.0, BODY, false).is_empty());
    }
}
