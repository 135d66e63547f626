//! A second insect, as data.

/// An invented insect of the cold half of the year: heat from 1 October, out at the turn of the year.
pub const LANTERN_MIDGE: &str = r#"
id = "lantern-midge"
names = { en = "lantern midge", es = "mosquito farol" }
scientific_name = "Inventa lucerna"
host = { en = "alder", es = "aliso" }
provisional = false
[biofix]
month = 10
day = 1
year = "before"
origin = "invented"
[heat]
method = "average"
method_origin = "invented"
lower_c = 4.0
lower_origin = "invented"
[[stages]]
id = "eggs"
names = { en = "eggs are laid", es = "ponen huevos" }
after = "biofix"
degree_days_c = 279.0
origin = "invented"
[[stages]]
id = "larvae"
names = { en = "larvae hatch", es = "nacen larvas" }
after = "eggs"
days = 40
origin = "invented"
[window]
opens = "eggs"
closes = "larvae"
"#;
