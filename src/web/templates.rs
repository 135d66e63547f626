//! The templates of all pages and their words, loaded once.

use minijinja::syntax::SyntaxConfig;
use minijinja::value::{Kwargs, Value, ValueKind};
use minijinja::{AutoEscape, Environment, UndefinedBehavior, escape_formatter};

use super::words::Words;
use crate::config::ConfigFault;
use crate::text::escape;

macro_rules! templates {
    ($($name:literal),+ $(,)?) => {
        [$(($name, include_str!(concat!("pages/", $name, ".html")))),+]
    };
}

const TEMPLATES: &[(&str, &str)] = &templates![
    "layout",
    "_parts",
    "fault",
    "home",
    "find",
    "region",
    "guide",
    "sign_up",
    "sign_up_sent",
    "confirm_code",
    "confirm_link",
    "confirm_done",
    "stop",
    "preferences_ask",
    "preferences_sent",
    "preferences_useless",
    "preferences_erased",
    "preferences",
    "privacy",
    "seen",
    "desk/layout",
    "desk/_form",
    "desk/fault",
    "desk/_legend",
    "desk/_region",
    "desk/sign_in",
    "desk/code",
    "desk/second_factor",
    "desk/recovery_codes",
    "desk/invitation",
    "desk/invitation_useless",
    "desk/password",
    "desk/account",
    "desk/today",
    "desk/notice",
    "desk/_words",
    "desk/words",
    "desk/new_report",
    "desk/reports",
    "desk/report",
    "desk/_came_up",
    "desk/_report_word",
    "desk/_report_aside",
    "desk/_next_report",
    "desk/report_effect",
    "desk/region",
    "desk/_dates",
    "desk/_doubts",
    "desk/under_way",
    "desk/learned",
    "desk/adoption",
    "desk/years",
    "desk/wording",
    "desk/wording_text",
    "desk/wording_version",
    "desk/practice",
    "desk/practice_messages",
    "desk/practice_message",
    "desk/new_region",
    "desk/change_region",
    "desk/retire_region",
    "desk/region_draft",
    "desk/region_draft_under_way",
    "desk/region_draft_failed",
    "desk/region_draft_gone",
    "desk/people",
    "desk/new_person",
    "desk/people_list",
    "desk/people_list_tried",
    "desk/person",
    "desk/person_erase",
];

/// A page that does not hold together: a fault of the program.
#[derive(Debug, thiserror::Error)]
pub enum PageFault {
    #[error("page `{0}`")]
    Template(&'static str, #[source] minijinja::Error),
    #[error("{0}")]
    Words(String),
    // Faults of the settings are text at a place, not errors that could be linked.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    Desk(Vec<ConfigFault>),
}

/// All page templates and their words.
pub(super) struct Pages {
    engine: Environment<'static>,
    words: Words,
}

impl Pages {
    /// # Errors
    /// See [`PageFault`].
    pub fn load() -> Result<Self, PageFault> {
        let mut engine = Environment::new();
        engine.set_undefined_behavior(UndefinedBehavior::Strict);
        engine.set_auto_escape_callback(|_| AutoEscape::Html);
        let syntax = SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build();
        engine.set_syntax(syntax.map_err(|why| PageFault::Template("layout", why))?);
        // The engine's own escaping also rewrites every slash, which makes links hard to read.
        engine.set_formatter(|out, state, value| match value.as_str() {
            Some(text) if !value.is_safe() => Ok(out.write_str(&escape(text))?),
            _ => escape_formatter(out, state, value),
        });
        engine.add_filter("fill", fill);
        for (name, text) in TEMPLATES {
            engine.add_template(name, text).map_err(|why| PageFault::Template(name, why))?;
        }
        Ok(Self { engine, words: Words::load().map_err(PageFault::Words)? })
    }

    pub fn words(&self) -> &Words {
        &self.words
    }

    /// # Errors
    /// When there is no template of this name, or it needs what is not in `shown`.
    pub fn render(&self, name: &str, shown: Value) -> Result<String, minijinja::Error> {
        self.engine.get_template(name)?.render(shown)
    }
}

/// Puts values into words: `{{ t.welcome | fill(place=region.name) }}` for `Welcome to <b>{place}</b>`. The words are ours
/// and may hold markup; the values are escaped.
fn fill(words: Value, values: Kwargs) -> Result<Value, minijinja::Error> {
    let mut text = words.to_string();
    for name in values.args() {
        let value: Value = values.get(name)?;
        let shown = if value.is_safe() || value.kind() == ValueKind::Number {
            value.to_string()
        } else {
            escape(&value.to_string())
        };
        text = text.replace(&format!("{{{name}}}"), &shown);
    }
    values.assert_all_used()?;
    Ok(Value::from_safe_string(text))
}
