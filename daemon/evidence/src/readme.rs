//! The pack's own page, for somebody who has never heard of Nightclamp.

use nightclamp_archive::Contents;

use crate::pack::Document;

/// The manifest's chain in a few lines of Python.
pub(crate) const CHECK_CHAIN: &str = include_str!("check_chain.py");

const TEXT: &str = include_str!("readme.txt");

/// What the page says of one pack.
pub(crate) struct About<'a> {
    pub contents: &'a Contents,
    pub is_customer_left_out: bool,
    pub documents: &'a [Document],
}

impl About<'_> {
    /// The page.
    pub fn text(&self) -> String {
        TEXT.replace("{about}", &self.about())
            .replace("{documents}", &self.documents())
            .replace("{customer}", &self.customer())
            .replace("{removed}", &self.removed())
    }

    fn about(&self) -> String {
        let Contents {
            job_name,
            site,
            units,
            first_time,
            last_time,
            timezone,
            lines,
            chain,
            ..
        } = self.contents;
        let or_none =
            |text: &Option<String>| text.clone().unwrap_or_else(|| "not known".to_owned());
        format!(
            "Job             {}\nSite            {}\nCompressors     {}\nRecorded from   {}\n           to   {}, clocks of {timezone}\nManifest        {lines} lines, the last with chain\n                {chain}",
            printable(job_name),
            site.as_deref().unwrap_or("not named"),
            units.join(", "),
            or_none(first_time),
            or_none(last_time),
        )
    }

    fn documents(&self) -> String {
        let line = |document: &Document| {
            let what = match document.name.rsplit_once('.') {
                Some((_, "pdf")) => "the report: what was found, with charts and tables; for paper",
                Some((_, "html")) => "the same for a screen, with the rows that paper leaves out",
                _ => "a report of it",
            };
            format!("{:<24}{what}\n", document.name)
        };
        self.documents.iter().map(line).collect()
    }

    fn removed(&self) -> String {
        match self.contents.removed {
            0 => String::new(),
            1 => "\nOne of the raw logs was removed on purpose before this was packed, because a limit had been set: the manifest says which and\nwhen. The rows that came from it are still in the tables.\n".to_owned(),
            more => format!("\n{more} raw logs were removed on purpose before this was packed, because a limit had been set: the manifest says which and\nwhen. The rows that came from them are still in the tables.\n"),
        }
    }

    fn customer(&self) -> String {
        match (self.contents.has_customer, self.is_customer_left_out) {
            (false, _) => String::new(),
            (true, false) => {
                "record/customer.toml    what identifies the customer; it can be removed without harm to the rest\n".to_owned()
            }
            (true, true) => "\nWhat identifies the customer (record/customer.toml) was left out on request. The manifest still lists it with its SHA-256,\nso that it can be checked if it is handed over later. Nothing else rests on it.\n".to_owned(),
        }
    }
}

/// Text of a job file on one line.
fn printable(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).collect()
}
