//! A message as its readers get it, for pages that show one.

use minijinja::context;
use minijinja::value::Value;

use crate::message::Message;
use crate::message::templates::blocks_value;
use crate::service::desk::channel_words;
use crate::service::desk::notice::Reading;

/// What the macro `reading` of `desk/_words` shows. Nothing of an e-mail's own markup is in it.
pub(super) fn shown_reading(reading: &Reading) -> Value {
    let (subject, text, calendar) = match &reading.message {
        Message::Sms { text } => (None, text, false),
        Message::Email { subject, text, calendar, .. } => (Some(subject), text, calendar.is_some()),
    };
    let document = reading.document.as_ref();
    context! {
        id => format!("{}-{}", reading.channel().name(), reading.language.code()),
        channel => channel_words(reading.channel()),
        language => reading.language.english_name(),
        code => reading.language.code(),
        subject, text, calendar,
        blocks => document.map(|document| blocks_value(&document.body)),
        small_print => document.map(|document| blocks_value(&document.small_print)),
        chart => reading.chart.as_ref().map(|chart| context! { alt => &chart.alt, width => chart.width }),
        pieces => reading.segments.as_ref().map(|segments| segments.texts.clone()),
        room => reading.segments.as_ref().map(|segments| segments.words()),
        ease => &reading.ease,
    }
}
