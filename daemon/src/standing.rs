//! What the archive has to say, as the page shows it: whether somebody has to come, and what to do.

use nightclamp_archive::{ArchiveError, Notice, Topic, Weight};
use nightclamp_web::{Level, NoticeView, RAW_LOG, TABLES};

/// Everything that stands, dangers first; `tables` is why the tables cannot be written, if they cannot.
pub fn shown(standing: Vec<Notice>, tables: Option<&ArchiveError>) -> Vec<NoticeView> {
    let mut shown: Vec<NoticeView> = standing.into_iter().map(view).collect();
    shown.extend(tables.map(tables_stand_still));
    shown.sort_by_key(|notice| notice.level == Level::Notice);
    shown
}

fn view(notice: Notice) -> NoticeView {
    let (level, about, todo) = match (notice.topic, notice.weight) {
        (Topic::RawLog, Weight::Loss) => (
            Level::Danger,
            RAW_LOG,
            "Make room on the disk, or mend it, now: nothing that comes is kept until it can be written.",
        ),
        (Topic::RawLog, _) => (
            Level::Danger,
            RAW_LOG,
            "Make room on the disk, or mend it, and leave the recorder running until then: what waits in memory is written as \
             soon as the disk takes it.",
        ),
        (Topic::Space, _) => (
            Level::Danger,
            "disk",
            "Make room: move other files or older records to another disk. With --keep-raw-days or --keep-raw-bytes the \
             recorder removes old raw logs of this record by itself.",
        ),
        (Topic::Lost, _) => (
            Level::Notice,
            "lost",
            "The record names it as a gap. See that the disk has room and is sound, so that it does not happen again.",
        ),
        (Topic::Damage, Weight::Loss) => (
            Level::Notice,
            "damage",
            "Copy the record to another disk and mistrust this one. nightclamp verify says which rows and seconds are affected.",
        ),
        (Topic::Damage, _) => (
            Level::Notice,
            "damage",
            "Nothing is lost. If it happens again, copy the record to another disk and mistrust this one.",
        ),
        (Topic::Retention, _) => (
            Level::Notice,
            "old raw logs",
            "Nothing is lost. nightclamp verify says what is wrong with them.",
        ),
    };
    NoticeView {
        level,
        about,
        text: notice.text,
        todo: todo.to_owned(),
    }
}

fn tables_stand_still(error: &ArchiveError) -> NoticeView {
    NoticeView {
        level: Level::Danger,
        about: TABLES,
        text: format!("the tables cannot be written, and this page does not go on: {error}"),
        todo: "Recording itself goes on. Look after the disk: room, rights, soundness. Tables and page catch up by themselves."
            .to_owned(),
    }
}
