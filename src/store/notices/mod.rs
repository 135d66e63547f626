//! Notices with their texts and deliveries: how they are decided, wait, and leave.

mod decisions;
mod notice;
mod release;

pub use decisions::{ask_first, put_notice, renew, skip};
pub use notice::{Fate, NewNotice, Notice, NoticeState, NoticeText, Put, ReleasePlan, delivery_id, notice_id};
pub(super) use release::cancel_waiting;
pub use release::{DueRelease, release};

pub use super::field_reports::{Judgement, NewFieldReport, ReportSource, StoredReport}; // moved
pub use super::outlooks::put_outlook; // moved
pub use super::staff_log::{StaffEntry, tell_staff}; // moved
