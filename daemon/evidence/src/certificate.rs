//! What of a time stamp's certificate can be checked without trusting anybody: its purpose, its validity, its key's signature.

use chrono::{DateTime, SecondsFormat};
use der::asn1::ObjectIdentifier;
use der::oid::db::{rfc5280, rfc5912};
use der::{Decode, Encode};
use p256::ecdsa::signature::hazmat::PrehashVerifier;
use rsa::RsaPublicKey;
use rsa::pkcs1v15::Pkcs1v15Sign;
use rsa::pkcs8::DecodePublicKey;
use sha2::{Sha256, Sha384, Sha512};
use x509_cert::Certificate;
use x509_cert::ext::pkix::ExtendedKeyUsage;

/// The longest RSA key that is worked with, bits: a stranger's can be as long as he likes.
const RSA_BITS_MAX: usize = 8192;

/// An instant as people read it, RFC 3339 in UTC.
pub(crate) fn instant(at_s: u64) -> String {
    i64::try_from(at_s)
        .ok()
        .and_then(|at_s| DateTime::from_timestamp(at_s, 0))
        .map(|time| time.to_rfc3339_opts(SecondsFormat::Secs, true))
        .unwrap_or_default()
}

/// Whether a certificate is one for time stamping (RFC 3161, 2.3) and was valid at `at_s`, s since the Unix epoch.
pub(crate) fn may_stamp(certificate: &Certificate, at_s: u64) -> Result<(), String> {
    let tbs = &certificate.tbs_certificate;
    let usage = tbs
        .extensions
        .iter()
        .flatten()
        .find(|extension| extension.extn_id == rfc5280::ID_CE_EXT_KEY_USAGE)
        .and_then(|extension| ExtendedKeyUsage::from_der(extension.extn_value.as_bytes()).ok());
    if usage.is_none_or(|usage| !usage.0.contains(&rfc5280::ID_KP_TIME_STAMPING)) {
        return Err("its signer's certificate is not one for time stamping".to_owned());
    }
    let (from_s, until_s) = (
        tbs.validity.not_before.to_unix_duration().as_secs(),
        tbs.validity.not_after.to_unix_duration().as_secs(),
    );
    if (from_s..=until_s).contains(&at_s) {
        return Ok(());
    }
    Err(format!(
        "its signer's certificate was valid from {} to {}, not when it was stamped, {}",
        instant(from_s),
        instant(until_s),
        instant(at_s)
    ))
}

/// Checks a signature with the key of a certificate. `hashed` is the digest, by `digest`, of what was signed.
pub(crate) fn check_signature(
    certificate: &Certificate,
    algorithm: &ObjectIdentifier,
    hashed: &[u8],
    digest: &ObjectIdentifier,
    signature: &[u8],
) -> Result<(), String> {
    let key = &certificate.tbs_certificate.subject_public_key_info;
    let key = key.to_der().map_err(|why| why.to_string())?;
    let holds = match *algorithm {
        rfc5912::RSA_ENCRYPTION
        | rfc5912::SHA_256_WITH_RSA_ENCRYPTION
        | rfc5912::SHA_384_WITH_RSA_ENCRYPTION
        | rfc5912::SHA_512_WITH_RSA_ENCRYPTION => rsa(&key, hashed, digest, signature)?,
        rfc5912::ECDSA_WITH_SHA_256 | rfc5912::ECDSA_WITH_SHA_384 | rfc5912::ECDSA_WITH_SHA_512 => {
            ecdsa(certificate, hashed, signature)?
        }
        _ => {
            return Err(format!(
                "its signature's kind ({algorithm}) is not checked here; openssl ts -verify does it"
            ));
        }
    };
    match holds {
        true => Ok(()),
        false => {
            Err("its signature is not by the key of its certificate, or it was changed".to_owned())
        }
    }
}

fn rsa(
    key: &[u8],
    hashed: &[u8],
    digest: &ObjectIdentifier,
    signature: &[u8],
) -> Result<bool, String> {
    use rsa::traits::PublicKeyParts as _;
    let key = RsaPublicKey::from_public_key_der(key)
        .map_err(|why| format!("its certificate's key cannot be read here ({why})"))?;
    if key.size() * 8 > RSA_BITS_MAX {
        return Err(format!(
            "its certificate's key has more than {RSA_BITS_MAX} bits"
        ));
    }
    let scheme = match *digest {
        rfc5912::ID_SHA_256 => Pkcs1v15Sign::new::<Sha256>(),
        rfc5912::ID_SHA_384 => Pkcs1v15Sign::new::<Sha384>(),
        _ => Pkcs1v15Sign::new::<Sha512>(),
    };
    Ok(key.verify(scheme, hashed, signature).is_ok())
}

fn ecdsa(certificate: &Certificate, hashed: &[u8], signature: &[u8]) -> Result<bool, String> {
    let key = &certificate.tbs_certificate.subject_public_key_info;
    let key = p256::ecdsa::VerifyingKey::from_sec1_bytes(key.subject_public_key.raw_bytes())
        .map_err(|_| "its certificate's key is on a curve that is not checked here (P-256 is); openssl ts -verify does it")?;
    let signature = p256::ecdsa::Signature::from_der(signature)
        .map_err(|why| format!("its signature cannot be read here ({why})"))?;
    Ok(key.verify_prehash(hashed, &signature).is_ok())
}
