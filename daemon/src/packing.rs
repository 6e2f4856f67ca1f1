//! `report --pack`: a record as one archive for somebody who was not there, signed and time-stamped if that is wanted.

use std::fs;
use std::io::{IsTerminal, Write as _};
use std::path::Path;

use anyhow::{Context, anyhow};
use nightclamp_archive::VerifyReport;
use nightclamp_evidence::{
    Document, EvidenceError, Locked, Packed, Signer, Wanted, beside, pack_checked, request,
};

use crate::Failure;
use crate::cli::PackArgs;
use crate::jobfile::read_named;
use crate::say;

/// A pack that the call asks for: everything it takes has been read, and nothing written yet.
pub struct Packing<'a> {
    out: &'a Path,
    wanted: Wanted,
    has_request: bool,
}

impl<'a> Packing<'a> {
    /// Opens what the pack takes, before anything that takes long; `None` if none is asked for.
    ///
    /// # Errors
    /// A wrong call: there is something at the pack's name, or the key or the answer cannot be used.
    pub fn of(args: &'a PackArgs) -> Result<Option<Self>, Failure> {
        let Some(out) = args.pack.as_deref() else {
            return Ok(None);
        };
        if out.exists() {
            let path = out.to_path_buf();
            return Err(whose_fault(EvidenceError::Exists { path }));
        }
        let key = args.sign.as_deref().map(|key| signer(key, args));
        let answer = |path: &Path| Ok::<_, Failure>((read_named(path)?, request_beside(path)?));
        Ok(Some(Self {
            out,
            wanted: Wanted {
                documents: Vec::new(),
                without_customer: args.without_customer,
                signer: key.transpose()?,
                answer: args.time_stamp.as_deref().map(answer).transpose()?,
            },
            has_request: args.time_stamp_request,
        }))
    }

    /// Packs the record in `dir`, which was checked when its report was made, with `documents`.
    ///
    /// # Errors
    /// It could not be done, or the answer is not one of this pack.
    pub fn run(
        mut self,
        dir: &Path,
        checked: &VerifyReport,
        documents: Vec<Document>,
    ) -> Result<(), Failure> {
        self.wanted.documents = documents;
        let packed = pack_checked(dir, checked, self.out, &self.wanted).map_err(whose_fault)?;
        tell(self.out, &packed)?;
        match self.has_request {
            true => write_request(self.out, &packed),
            false => Ok(()),
        }
    }
}

fn tell(out: &Path, packed: &Packed) -> Result<(), Failure> {
    say::result(&format!(
        "{}: {} files, SHA256SUMS {}",
        out.display(),
        packed.files,
        packed.sums_sha256
    ))?;
    if packed.is_customer_left_out {
        say::to_people("What identifies the customer is left out");
    }
    if let Some(fingerprint) = &packed.signed_by {
        say::to_people(&format!(
            "Signed with the key {fingerprint}: tell that to whoever is to check it, by another way than the pack"
        ));
    }
    Ok(())
}

/// The technician's key, opened.
fn signer(path: &Path, args: &PackArgs) -> Result<Signer, Failure> {
    let shown = path.display().to_string();
    let text = String::from_utf8(read_named(path)?)
        .map_err(|_| Failure::call(format!("{shown}: is no key file")))?;
    let locked = Locked::read(&text, &shown).map_err(whose_fault)?;
    let passphrase = match (locked.is_encrypted(), &args.passphrase_file) {
        (false, _) => None,
        (true, Some(file)) => {
            let bytes = read_named(file)?;
            let text = String::from_utf8_lossy(&bytes);
            Some(text.trim_end_matches(['\r', '\n']).to_owned())
        }
        (true, None) if std::io::stdin().is_terminal() => {
            let asked = rpassword::prompt_password(format!("Passphrase of {shown}: "));
            Some(asked.context("the passphrase cannot be read")?)
        }
        (true, None) => {
            return Err(Failure::call(format!(
                "{shown}: is encrypted, and there is no terminal to ask for its passphrase on: --passphrase-file FILE"
            )));
        }
    };
    locked.unlock(passphrase.as_deref()).map_err(whose_fault)
}

fn write_request(out: &Path, packed: &Packed) -> Result<(), Failure> {
    let (answer, path) = beside(out);
    let mut nonce = [0; 8];
    getrandom::fill(&mut nonce)
        .map_err(|error| anyhow!("the system has no randomness: {error}"))?;
    let bytes =
        request(packed.sums.as_bytes(), nonce).map_err(|why| anyhow!("the request: {why}"))?;
    let write = || fs::File::create_new(&path)?.write_all(&bytes);
    write().with_context(|| format!("{}: could not be written", path.display()))?;
    say::to_people(&format!(
        "The request for a time stamp is in {}. With a network, and the address of a time-stamping authority that you trust:\n  curl -H 'Content-Type: application/timestamp-query' --data-binary @{} AUTHORITY > {}\nnightclamp verify finds the answer there, beside the pack.",
        path.display(),
        path.display(),
        answer.display()
    ));
    Ok(())
}

/// The request that lies beside an answer: the same name, ending in `.tsq`.
pub fn request_beside(answer: &Path) -> Result<Option<Vec<u8>>, Failure> {
    let request = answer.with_extension("tsq");
    match request.is_file() {
        true => read_named(&request).map(Some),
        false => Ok(None),
    }
}

/// Whether the call was wrong, or it could not be done.
pub fn whose_fault(error: EvidenceError) -> Failure {
    match error {
        EvidenceError::Exists { .. }
        | EvidenceError::Key { .. }
        | EvidenceError::TimeStamp { .. } => Failure::Call(error.into()),
        other => Failure::CouldNot(other.into()),
    }
}
