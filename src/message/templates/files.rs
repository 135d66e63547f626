//! The files: the built-in ones, their names, and the folder that replaces single ones.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::faults::TemplateFault;
use crate::message::transactional::TransactionalKind;
use crate::people::{Channel, Language};
use crate::season::NoticeKind;
use crate::text::near_spelling;

#[derive(Clone, Debug)]
pub(super) struct File {
    pub source: String,
    pub origin: Origin,
}

/// Where the words of a file come from. Those of staff go before the folder's, and the folder's before those of the program.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Origin {
    /// They come with the program.
    Shipped,
    /// A file of the folder that the settings name.
    Folder(PathBuf),
    /// Staff wrote them at the desk or by a command.
    Staff,
}

impl File {
    /// Where the words of the file of this name come from, for people.
    pub fn place(&self, name: &str) -> String {
        match &self.origin {
            Origin::Shipped => format!("built-in {name}"),
            Origin::Folder(path) => path.display().to_string(),
            Origin::Staff => format!("staff's {name}"),
        }
    }
}

/// Name of a notice's file.
pub(in crate::message) fn notice_file(kind: NoticeKind, language: Language, channel: Channel) -> String {
    format!("{}/{}.{}.txt", language.code(), kind.name(), channel.name())
}

/// Name of the file of the calendar entry.
pub(in crate::message) fn calendar_file(language: Language) -> String {
    format!("{}/washing.calendar.txt", language.code())
}

/// Name of a transactional message's file.
pub(in crate::message) fn transactional_file(kind: TransactionalKind, language: Language, channel: Channel) -> String {
    format!("{}/{}.{}.txt", language.code(), kind.name(), channel.name())
}

/// Every transactional message on every channel it goes to.
pub(in crate::message) fn transactional_messages() -> impl Iterator<Item = (TransactionalKind, Channel)> {
    TransactionalKind::ALL.into_iter().flat_map(|kind| kind.channels().iter().map(move |channel| (kind, *channel)))
}

/// Longest file of a message, bytes: ours have three thousand.
const LARGEST: u64 = 1 << 20;

pub(super) fn read_folder(folder: &Path, files: &mut BTreeMap<String, File>, faults: &mut Vec<TemplateFault>) {
    let known: Vec<String> = files.keys().cloned().collect();
    let mut names = Vec::new();
    list_files(folder, "", &mut names, faults);
    for name in names {
        let path = folder.join(&name);
        let place = path.display().to_string();
        if !files.contains_key(&name) {
            let what = match near_spelling(&name, known.iter().map(String::as_str)) {
                Some(near) => format!("no message has a file of this name, did you mean `{near}`?"),
                None => format!("no message has a file of this name; names are {}", known.join(", ")),
            };
            faults.push(TemplateFault { file: place, line: None, what });
            continue;
        }
        match crate::files::read(&path, LARGEST).map(String::from_utf8) {
            Ok(Ok(text)) => {
                let source = text.trim_start_matches('\u{FEFF}').replace("\r\n", "\n");
                files.insert(name, File { source, origin: Origin::Folder(path) });
            }
            Ok(Err(why)) => {
                let line = why.as_bytes().iter().take(why.utf8_error().valid_up_to()).filter(|b| **b == b'\n').count();
                let what = "not UTF-8 text: save the file in that encoding".to_owned();
                faults.push(TemplateFault { file: place, line: Some(line + 1), what });
            }
            Err(why) => faults.push(TemplateFault { file: place, line: None, what: format!("cannot be read: {why}") }),
        }
    }
}

/// Lists the files of the folder and its folders, one level deep; hidden ones (of an editor, of git) are passed over.
#[expect(clippy::disallowed_methods, reason = "templates are read before anything is served")]
pub(super) fn list_files(folder: &Path, under: &str, names: &mut Vec<String>, faults: &mut Vec<TemplateFault>) {
    let here = folder.join(under);
    let entries = match std::fs::read_dir(&here).and_then(Iterator::collect::<Result<Vec<_>, _>>) {
        Ok(entries) => entries,
        Err(why) => {
            let what = format!("the folder cannot be read: {why}");
            faults.push(TemplateFault { file: here.display().to_string(), line: None, what });
            return;
        }
    };
    for entry in entries {
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with('.') {
            continue;
        }
        let full = if under.is_empty() { name } else { format!("{under}/{name}") };
        if under.is_empty() && entry.path().is_dir() {
            list_files(folder, &full, names, faults);
        } else {
            names.push(full);
        }
    }
    names.sort();
}

pub(super) const LAYOUT: &str = "layout.html";

macro_rules! built_in {
    ($($name:literal),+ $(,)?) => {
        [$(($name, include_str!(concat!("../../../config/messages/", $name)))),+]
    };
}

/// Every file of the house by its name in the folder.
pub(super) const BUILT_IN: [(&str, &str); 99] = built_in![
    "layout.html",
    "en/basis.part.txt",
    "en/beans.part.txt",
    "en/call.part.txt",
    "en/care.part.txt",
    "en/deadline.part.txt",
    "en/footer.part.txt",
    "en/insecticides.part.txt",
    "en/look.part.txt",
    "en/takes.part.txt",
    "en/wash.part.txt",
    "en/get-ready.email.txt",
    "en/get-ready.sms.txt",
    "en/inspect-now.email.txt",
    "en/inspect-now.sms.txt",
    "en/wash-now.email.txt",
    "en/wash-now.sms.txt",
    "en/deadline-moved.email.txt",
    "en/deadline-moved.sms.txt",
    "en/last-days-to-wash.email.txt",
    "en/last-days-to-wash.sms.txt",
    "en/too-late-to-wash.email.txt",
    "en/too-late-to-wash.sms.txt",
    "en/letter-footer.part.txt",
    "en/follow-up.email.txt",
    "en/follow-up.sms.txt",
    "en/kept-zip.email.txt",
    "en/kept-zip.sms.txt",
    "en/confirm.email.txt",
    "en/confirm.sms.txt",
    "en/not-covered.email.txt",
    "en/not-covered.sms.txt",
    "en/welcome.email.txt",
    "en/welcome.sms.txt",
    "en/stopped.email.txt",
    "en/stopped.sms.txt",
    "en/resumed.email.txt",
    "en/resumed.sms.txt",
    "en/covered-now.email.txt",
    "en/covered-now.sms.txt",
    "en/preferences.email.txt",
    "en/preferences.sms.txt",
    "en/help.sms.txt",
    "en/which-zip.sms.txt",
    "en/not-understood.sms.txt",
    "en/thanks.sms.txt",
    "en/how-high.email.txt",
    "en/how-high.sms.txt",
    "en/height-kept.sms.txt",
    "en/washing.calendar.txt",
    "es/basis.part.txt",
    "es/beans.part.txt",
    "es/call.part.txt",
    "es/care.part.txt",
    "es/deadline.part.txt",
    "es/footer.part.txt",
    "es/insecticides.part.txt",
    "es/look.part.txt",
    "es/takes.part.txt",
    "es/wash.part.txt",
    "es/get-ready.email.txt",
    "es/get-ready.sms.txt",
    "es/inspect-now.email.txt",
    "es/inspect-now.sms.txt",
    "es/wash-now.email.txt",
    "es/wash-now.sms.txt",
    "es/deadline-moved.email.txt",
    "es/deadline-moved.sms.txt",
    "es/last-days-to-wash.email.txt",
    "es/last-days-to-wash.sms.txt",
    "es/too-late-to-wash.email.txt",
    "es/too-late-to-wash.sms.txt",
    "es/letter-footer.part.txt",
    "es/follow-up.email.txt",
    "es/follow-up.sms.txt",
    "es/kept-zip.email.txt",
    "es/kept-zip.sms.txt",
    "es/confirm.email.txt",
    "es/confirm.sms.txt",
    "es/not-covered.email.txt",
    "es/not-covered.sms.txt",
    "es/welcome.email.txt",
    "es/welcome.sms.txt",
    "es/stopped.email.txt",
    "es/stopped.sms.txt",
    "es/resumed.email.txt",
    "es/resumed.sms.txt",
    "es/covered-now.email.txt",
    "es/covered-now.sms.txt",
    "es/preferences.email.txt",
    "es/preferences.sms.txt",
    "es/help.sms.txt",
    "es/which-zip.sms.txt",
    "es/not-understood.sms.txt",
    "es/thanks.sms.txt",
    "es/how-high.email.txt",
    "es/how-high.sms.txt",
    "es/height-kept.sms.txt",
    "es/washing.calendar.txt",
];
