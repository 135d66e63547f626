//! Contrast of the pages' colours, worked out from the style sheet itself: WCAG 2.2, relative luminance and contrast ratio
//! as its glossary defines them. People read these pages in the sun.

use std::collections::{BTreeMap, BTreeSet};

use super::support::World;

/// Text and the ground it stands on, by the names of the style sheet. AA asks 4.5 of any text; what tells people what to
/// do has 7 and more.
const TEXT: &[(&str, &str, f64)] = &[
    ("ink", "paper", 7.0),
    ("ink", "sand", 7.0),
    ("ink", "sky", 7.0),
    ("ink", "alarm", 7.0),
    ("ink", "care", 7.0),
    ("ink", "good", 7.0),
    ("ink", "haze", 7.0),
    ("ink", "dusk", 7.0),
    ("soft", "paper", 4.5),
    ("soft", "sand", 4.5),
    // Headings and links.
    ("pinyon", "paper", 7.0),
    ("pinyon", "sand", 7.0),
    ("pinyon", "sky", 4.5),
    ("pinyon", "alarm", 4.5),
    ("pinyon", "care", 4.5),
    ("pinyon", "good", 4.5),
    ("pinyon", "haze", 4.5),
    ("pinyon", "dusk", 4.5),
    // What is wrong with a field.
    ("clay", "paper", 4.5),
    ("clay", "sand", 4.5),
    // The standings in the list of regions; the step of the season in the head of a region's page.
    ("berry", "paper", 4.5),
    ("berry", "sand", 4.5),
    ("paper", "berry", 4.5),
    // Buttons and numbers of steps; the head of every page.
    ("paper", "pinyon", 7.0),
    ("paper", "clay", 4.5),
    ("on-pinyon", "pinyon-deep", 7.0),
];

/// Edges that tell where something is, and what they are seen against: 3 (WCAG 2.2, 1.4.11).
const EDGES: &[(&str, &str)] = &[
    ("edge", "paper"),
    ("edge", "sand"),
    ("clay", "sand"),
    ("focus", "paper"),
    ("focus", "sand"),
    ("focus", "sky"),
    ("focus", "alarm"),
    ("focus", "care"),
    ("focus", "good"),
    ("focus", "haze"),
    ("focus", "dusk"),
    ("berry", "haze"),
    ("berry", "dusk"),
    ("edge", "haze"),
    ("edge", "dusk"),
    ("alarm-edge", "alarm"),
    ("care-edge", "care"),
    ("good-edge", "good"),
    ("sky-edge", "sky"),
    ("cone", "paper"),
];

type Colours = BTreeMap<String, [f64; 3]>;

pub fn colour(hex: &str) -> [f64; 3] {
    let digits = hex.trim_start_matches('#');
    let digits = if digits.len() == 3 { digits.chars().flat_map(|c| [c, c]).collect() } else { digits.to_owned() };
    assert_eq!(digits.len(), 6, "`{hex}` is no colour");
    [0, 2, 4].map(|at| f64::from(u8::from_str_radix(&digits[at..at + 2], 16).unwrap()) / 255.0)
}

fn luminance(colour: [f64; 3]) -> f64 {
    let linear = |part: f64| if part <= 0.04045 { part / 12.92 } else { ((part + 0.055) / 1.055).powf(2.4) };
    let [red, green, blue] = colour.map(linear);
    0.2126 * red + 0.7152 * green + 0.0722 * blue
}

pub fn contrast(one: [f64; 3], other: [f64; 3]) -> f64 {
    let (one, other) = (luminance(one), luminance(other));
    (one.max(other) + 0.05) / (one.min(other) + 0.05)
}

/// The colours that stand in a `:root` block.
fn root(block: &str) -> Colours {
    let inside = block.split_once(":root {").unwrap().1.split_once('}').unwrap().0;
    let hexes = inside.split(';').filter_map(|line| line.trim().strip_prefix("--")?.split_once(':'));
    hexes
        .filter(|(_, value)| value.trim().starts_with('#'))
        .map(|(name, value)| (name.trim().to_owned(), colour(value.trim())))
        .collect()
}

async fn style() -> String {
    let world = World::empty(|_| {}).await;
    let home = world.get("/").await.body;
    let path = home.split("rel=\"stylesheet\" href=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    let mut style = world.get(&path).await.body;
    // The desk's own rules use the colours of the pages.
    style.push_str(&world.get("/assets/any/desk.css").await.body);
    style
}

/// The same colours in all three: on a light screen, a dark one and paper.
fn schemes(style: &str) -> [(&'static str, Colours); 3] {
    let light = root(style);
    let over = |head: &str| {
        let mut colours = light.clone();
        colours.extend(root(style.split_once(head).unwrap_or_else(|| panic!("{head}")).1));
        colours
    };
    let dark = over("@media screen and (prefers-color-scheme: dark)");
    let print = over("@media print");
    [("light", light), ("dark", dark), ("print", print)]
}

#[tokio::test]
async fn every_text_can_be_read_on_its_ground_in_both_schemes_and_on_paper() {
    assert!((contrast(colour("#000"), colour("#fff")) - 21.0).abs() < 1e-9, "the formula");
    assert!((contrast(colour("#767676"), colour("#ffffff")) - 4.54).abs() < 0.005, "the best known grey");
    let style = style().await;
    for (scheme, colours) in schemes(&style) {
        let of = |name: &str| colours.get(name).copied().unwrap_or_else(|| panic!("{scheme}: --{name} is not there"));
        for (text, ground, least) in TEXT {
            // On paper a button is an outline.
            if scheme == "print" && ["pinyon", "clay", "pinyon-deep", "berry"].contains(ground) {
                continue;
            }
            let ratio = contrast(of(text), of(ground));
            assert!(ratio >= *least, "{scheme}: {text} on {ground} is {ratio:.2}, {least} is wanted");
        }
        for (edge, ground) in EDGES {
            let ratio = contrast(of(edge), of(ground));
            assert!(ratio >= 3.0, "{scheme}: the edge {edge} on {ground} is {ratio:.2}, 3 is wanted");
        }
    }
}

/// A colour that a rule uses without standing in the table above would be looked at by nobody.
#[tokio::test]
async fn no_rule_uses_a_colour_that_is_not_in_the_table() {
    let style = style().await;
    let texts: BTreeSet<&str> = TEXT.iter().map(|(text, ..)| *text).collect();
    let grounds: BTreeSet<&str> = TEXT.iter().map(|(_, ground, _)| *ground).collect();
    // Signs beside words hold no text themselves.
    let rules = style.split_inclusive('}').filter(|rule| !rule.contains(".sign")).collect::<String>();
    let rules = rules.replace(['{', '}'], ";");
    for declaration in rules.split(';').map(str::trim) {
        let Some((property, value)) = declaration.split_once(':') else { continue };
        let named = value.trim().strip_prefix("var(--").and_then(|rest| rest.strip_suffix(')'));
        match (property.trim(), named) {
            ("color", Some(name)) => assert!(texts.contains(name), "color: {name}"),
            ("background", Some(name)) => assert!(grounds.contains(name), "background: {name}"),
            _ => {}
        }
        // Colours by number only where the table is filled, and those of the sheets that drawings and print stand on.
        if let Some(hex) = value.trim().strip_prefix('#').filter(|_| !property.trim().starts_with("--")) {
            assert!(["ffd166", "fbf6ea", "000", "333"].contains(&hex), "{declaration}");
        }
    }
    let ring = contrast(colour("#ffd166"), colour("#173f2d")).min(contrast(colour("#ffd166"), colour("#0f2a1e")));
    assert!(ring >= 3.0, "the ring of focus in the head of the page");
    // Black ink on the drawings' sheet, whatever the scheme.
    assert!(contrast(colour("#20231c"), colour("#fbf6ea")) >= 7.0);
}

/// No text stands over a drawing, so that no contrast is left to chance.
#[tokio::test]
async fn drawings_hold_no_text() {
    let world = World::empty(|_| {}).await;
    for path in ["/", "/guide"] {
        let page = world.get(path).await.body;
        for drawing in page.split("<img src=\"").skip(1).map(|rest| rest.split('"').next().unwrap()) {
            let drawing = world.get(drawing).await.body;
            assert!(drawing.contains("<svg") && !drawing.contains("<text") && !drawing.contains("<image"));
        }
    }
    let style = style().await;
    assert!(!style.contains("background-image") && !style.contains("url("), "a picture behind text");
}
