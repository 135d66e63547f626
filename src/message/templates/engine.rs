//! The template engine: strict, without filters and functions, and told how files include each other.

use std::collections::BTreeMap;

use minijinja::syntax::SyntaxConfig;
use minijinja::{AutoEscape, Environment, ErrorKind, UndefinedBehavior};

use super::faults::TemplateFault;
use super::files::File;

/// Steps that one text may take: ours take some thousands, and loops within loops of somebody's own would take for ever.
const MOST_STEPS: u64 = 1_000_000;

/// Knows no name by itself, and gives up a text that would take for ever.
pub(super) fn bare() -> Environment<'static> {
    // Empty: no filters, functions or tests that could fail on a value no sample had.
    let mut engine = Environment::empty();
    engine.set_undefined_behavior(UndefinedBehavior::Strict);
    engine.set_fuel(Some(MOST_STEPS));
    engine
}

pub(super) fn compile(files: &BTreeMap<String, File>, faults: &mut Vec<TemplateFault>) -> Environment<'static> {
    let mut engine = bare();
    engine.set_auto_escape_callback(|name| if name.ends_with(".html") { AutoEscape::Html } else { AutoEscape::None });
    engine.set_path_join_callback(|name, parent| beside(name, parent).into());
    engine.set_formatter(|out, state, value| {
        if value.is_none() {
            let what = "this value is not known in every message: put it between {% if … %} and {% endif %}";
            return Err(minijinja::Error::new(ErrorKind::InvalidOperation, what));
        }
        minijinja::escape_formatter(out, state, value)
    });
    let mut syntax = SyntaxConfig::builder();
    syntax.trim_blocks(true).lstrip_blocks(true).keep_trailing_newline(true);
    // Only clashing delimiters make this fail, and none is changed.
    if let Ok(syntax) = syntax.build() {
        engine.set_syntax(syntax);
    }
    for (name, file) in files {
        if let Err(why) = engine.add_template_owned(name.clone(), file.source.clone()) {
            let place = file.place(name);
            let detail = why.detail().map_or_else(String::new, |detail| format!(": {detail}"));
            let what = format!(
                "cannot be read: a brace or a percent sign is missing, or an {{% if … %}} has no {{% endif %}} ({}{detail})",
                why.kind()
            );
            faults.push(TemplateFault { file: place, line: why.line(), what });
        }
    }
    engine
}

/// The name of a file in the folder of another.
pub(super) fn beside(name: &str, parent: &str) -> String {
    match parent.rsplit_once('/') {
        Some((folder, _)) => format!("{folder}/{name}"),
        None => name.to_owned(),
    }
}

/// The files that a template includes by a quoted name.
pub(super) fn includes(source: &str) -> Vec<String> {
    source
        .split("{%")
        .skip(1)
        .filter_map(|tag| {
            let name = tag.trim_start_matches(['-', '+']).trim_start().strip_prefix("include")?.trim_start();
            let quote = name.chars().next().filter(|c| matches!(c, '"' | '\''))?;
            name.get(1..)?.split(quote).next().map(str::to_owned)
        })
        .collect()
}
