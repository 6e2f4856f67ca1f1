//! An SSH signature of `SHA256SUMS`: made with a key that the technician keeps, checked here or by `ssh-keygen -Y`.
//!
//! The format is OpenSSH's (PROTOCOL.sshsig). Ed25519 only: the same key and the same sums always give the same signature, so
//! that a pack made twice has the same bytes.

use ssh_key::{Algorithm, HashAlg, LineEnding, PrivateKey, PublicKey, SshSig};

use crate::error::{EvidenceError, Result};

/// What the signature is for; one made for something else is not accepted, and this one nowhere else.
pub const NAMESPACE: &str = "nightclamp-evidence";

/// The kind of key that signs, as `ssh-keygen -t` wants it.
pub const KEY_KIND: &str = "ed25519";

/// A private key as it lies in its file, perhaps encrypted.
#[derive(Debug)]
pub struct Locked {
    key: PrivateKey,
    file: String,
}

/// A private key that can sign.
#[derive(Debug)]
pub struct Signer(PrivateKey);

impl Locked {
    /// Reads a private key; `file` is its name for errors.
    ///
    /// # Errors
    /// It is not an OpenSSH private key, or one of another kind.
    pub fn read(text: &str, file: &str) -> Result<Self> {
        let error = |why: String| EvidenceError::Key {
            file: file.to_owned(),
            why,
        };
        let key = PrivateKey::from_openssh(text.trim_start()).map_err(|why| {
            let is_public = text.starts_with("ssh-");
            error(match is_public {
                true => {
                    "is the public key; give the private one, which lies beside it without .pub"
                        .to_owned()
                }
                false => {
                    format!("is not a private key as ssh-keygen -t {KEY_KIND} makes it: {why}")
                }
            })
        })?;
        if key.algorithm() != Algorithm::Ed25519 {
            return Err(error(format!(
                "is a key of kind {}; one as ssh-keygen -t {KEY_KIND} makes it is needed",
                key.algorithm()
            )));
        }
        Ok(Self {
            key,
            file: file.to_owned(),
        })
    }

    /// Whether it needs a passphrase.
    pub fn is_encrypted(&self) -> bool {
        self.key.is_encrypted()
    }

    /// The key that can sign; a passphrase is asked for only if it is encrypted.
    ///
    /// # Errors
    /// It is encrypted and the passphrase is not its.
    pub fn unlock(self, passphrase: Option<&str>) -> Result<Signer> {
        let error = |why: &str| EvidenceError::Key {
            file: self.file.clone(),
            why: why.to_owned(),
        };
        if !self.is_encrypted() {
            return Ok(Signer(self.key));
        }
        let passphrase =
            passphrase.ok_or_else(|| error("is encrypted and needs its passphrase"))?;
        let opened = self.key.decrypt(passphrase);
        opened
            .map(Signer)
            .map_err(|_| error("the passphrase does not open it"))
    }
}

impl Signer {
    /// The key's fingerprint, as `ssh-keygen -l` shows it.
    pub fn fingerprint(&self) -> String {
        self.0.fingerprint(HashAlg::Sha256).to_string()
    }

    /// The signature of `sums`, as a text file.
    ///
    /// # Errors
    /// The key cannot sign.
    pub(crate) fn sign(&self, sums: &[u8]) -> Result<String> {
        let signed = self.0.sign(NAMESPACE, HashAlg::Sha512, sums);
        signed
            .and_then(|signature| signature.to_pem(LineEnding::LF))
            .map_err(|why| EvidenceError::Key {
                file: self.fingerprint(),
                why: why.to_string(),
            })
    }
}

/// Whose signature it is: the fingerprint of the key; or why it does not hold.
pub(crate) fn signer_of(sums: &[u8], signature: &[u8]) -> std::result::Result<PublicKey, String> {
    let signature =
        SshSig::from_pem(signature).map_err(|why| format!("is no SSH signature: {why}"))?;
    let key = PublicKey::new(signature.public_key().clone(), "");
    if key.algorithm() != Algorithm::Ed25519 {
        return Err(format!(
            "is by a key of kind {}, which is not checked here; ssh-keygen -Y check-novalidate does it",
            key.algorithm()
        ));
    }
    match key.verify(NAMESPACE, sums, &signature) {
        Ok(()) => Ok(key),
        Err(ssh_key::Error::Namespace) => Err(format!(
            "was made for {:?}, not for {NAMESPACE:?}",
            signature.namespace()
        )),
        Err(_) => Err("is not a signature of this SHA256SUMS".to_owned()),
    }
}

/// The Ed25519 keys in a file: a public key, a list of them, or a list of allowed signers.
pub(crate) fn known_keys(text: &str) -> Vec<PublicKey> {
    let key = |line: &str| {
        let at = line.find("ssh-ed25519 ")?;
        PublicKey::from_openssh(line.get(at..)?.trim()).ok()
    };
    text.lines()
        .filter(|line| !line.trim_start().starts_with('#'))
        .filter_map(key)
        .collect()
}
