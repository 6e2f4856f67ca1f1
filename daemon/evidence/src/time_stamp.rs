//! A trusted time stamp of `SHA256SUMS` (RFC 3161): the request, for somebody with a network to send, and the answer, checked.
//!
//! Of an answer is checked: that it was granted; that it is about these sums and, where the request is there, answers it
//! (nonce); that what was signed is what it says (RFC 5652: content type, message digest); the signature itself, with RSA
//! PKCS #1 v1.5 or ECDSA on P-256; that the signer's certificate is the one that the signer named (ESS, RFC 5816), is for time
//! stamping, and was valid then. Not checked is whose certificate that is: whether one trusts its issuer nobody can decide
//! here. `openssl ts -verify` does it with the issuer's certificate at hand.

use cms::cert::{CertificateChoices, IssuerAndSerialNumber};
use cms::content_info::ContentInfo;
use cms::signed_data::{SignedData, SignerIdentifier, SignerInfo};
use der::asn1::{Int, Null, ObjectIdentifier, OctetString};
use der::oid::db::{rfc5911, rfc5912};
use der::{Any, Decode, Encode, Sequence};
use sha2::{Digest, Sha256, Sha384, Sha512};
use x509_cert::Certificate;
use x509_cert::spki::AlgorithmIdentifierOwned;
use x509_tsp::{MessageImprint, TimeStampReq, TimeStampResp, TspVersion, TstInfo};

use crate::certificate;

/// The content type of what is signed (RFC 3161, id-ct-TSTInfo).
const TST_INFO: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.16.1.4");
/// The attribute that names the signer's certificate (RFC 5035, id-aa-signingCertificateV2).
const SIGNING_CERTIFICATE_V2: ObjectIdentifier =
    ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.16.2.47");

/// `SigningCertificateV2`, RFC 5035.
#[derive(Sequence)]
struct SigningCertificates {
    certs: Vec<CertificateHash>,
    #[asn1(optional = "true")]
    policies: Option<Any>,
}

/// `ESSCertIDv2`, RFC 5035.
#[derive(Sequence)]
struct CertificateHash {
    #[asn1(optional = "true")]
    hash_algorithm: Option<AlgorithmIdentifierOwned>,
    cert_hash: OctetString,
    #[asn1(optional = "true")]
    issuer_serial: Option<Any>,
}

/// What an answer says, and it holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Stamped {
    /// When, RFC 3339.
    pub time: String,
    /// Who signed it, by its own certificate.
    pub by: String,
    /// What could not be checked.
    pub notes: Vec<String>,
}

type Checked<T> = std::result::Result<T, String>;

/// The request for a time stamp of `sums`, DER; `nonce` has to be random.
///
/// # Errors
/// None that is known.
pub fn request(sums: &[u8], nonce: [u8; 8]) -> Checked<Vec<u8>> {
    let told = |error: der::Error| error.to_string();
    // A positive number of no more octets than it needs: its first is from 0x40 to 0x7f.
    let [first, rest @ ..] = nonce;
    let mut positive = vec![first & 0x3f | 0x40];
    positive.extend(rest);
    let imprint = MessageImprint {
        hash_algorithm: AlgorithmIdentifierOwned {
            oid: rfc5912::ID_SHA_256,
            parameters: Some(Any::from(Null)),
        },
        hashed_message: OctetString::new(Sha256::digest(sums).to_vec()).map_err(told)?,
    };
    let request = TimeStampReq {
        version: TspVersion::V1,
        message_imprint: imprint,
        req_policy: None,
        nonce: Some(Int::new(&positive).map_err(told)?),
        cert_req: true,
        extensions: None,
    };
    request.to_der().map_err(told)
}

/// Checks an answer for `sums`, and against the request if it is there.
pub(crate) fn check(sums: &[u8], answer: &[u8], request: Option<&[u8]>) -> Checked<Stamped> {
    let answer = TimeStampResp::from_der(answer)
        .map_err(|why| format!("cannot be read here ({why}); openssl ts -reply -text may"))?;
    let status = answer.status.status as u8;
    if status > 1 {
        return Err(format!("was not granted (status {status})"));
    }
    let token = answer.time_stamp_token.ok_or("has no time stamp in it")?;
    let (signed, info) = signed_info(&token)?;
    let stamp = TstInfo::from_der(&info)
        .map_err(|why| format!("what is signed in it cannot be read here ({why})"))?;
    let mut notes = Vec::new();
    check_imprint(&stamp, sums)?;
    match request {
        Some(request) => check_nonce(&stamp, request)?,
        None => notes.push(
            "the request is not here, so that the answer is one to it (nonce) was not checked"
                .to_owned(),
        ),
    }
    let at_s = stamp.gen_time.to_unix_duration().as_secs();
    let signer = the_only(signed.signer_infos.0.as_slice()).ok_or("has not one signature")?;
    let certificate = certificate_of(&signed, signer)
        .ok_or("has not its signer's certificate in it, so its signature cannot be checked here")?;
    check_attributes(signer, &info, &certificate)?;
    certificate::may_stamp(&certificate, at_s)?;
    let attributes = signer.signed_attrs.as_ref().ok_or("signs nothing")?;
    let message = attributes.to_der().map_err(|why| why.to_string())?;
    certificate::check_signature(
        &certificate,
        &signer.signature_algorithm.oid,
        digest_of(&signer.digest_alg.oid, &message)?.as_slice(),
        &signer.digest_alg.oid,
        signer.signature.as_bytes(),
    )?;
    Ok(Stamped {
        time: certificate::instant(at_s),
        by: certificate.tbs_certificate.subject.to_string(),
        notes,
    })
}

/// The signed data of a token, and what is signed.
fn signed_info(token: &ContentInfo) -> Checked<(SignedData, Vec<u8>)> {
    if token.content_type != rfc5911::ID_SIGNED_DATA {
        return Err("its time stamp is not signed".to_owned());
    }
    let told = |why: der::Error| format!("its signature cannot be read here ({why})");
    let signed: SignedData = token.content.decode_as().map_err(told)?;
    if signed.encap_content_info.econtent_type != TST_INFO {
        return Err("what is signed in it is no time stamp".to_owned());
    }
    let content = signed.encap_content_info.econtent.as_ref();
    let octets: OctetString = content
        .ok_or("what is signed is not in it")?
        .decode_as()
        .map_err(told)?;
    let info = octets.as_bytes().to_vec();
    Ok((signed, info))
}

fn check_imprint(stamp: &TstInfo, sums: &[u8]) -> Checked<()> {
    let imprint = &stamp.message_imprint;
    let is_these = imprint.hash_algorithm.oid == rfc5912::ID_SHA_256
        && imprint.hashed_message.as_bytes() == Sha256::digest(sums).as_slice();
    if is_these {
        return Ok(());
    }
    Err("is about other files than these: its imprint is not the SHA-256 of SHA256SUMS".to_owned())
}

fn check_nonce(stamp: &TstInfo, request: &[u8]) -> Checked<()> {
    let request = TimeStampReq::from_der(request)
        .map_err(|why| format!("its request cannot be read ({why})"))?;
    if request.message_imprint != stamp.message_imprint {
        return Err("its request is about other files".to_owned());
    }
    if request.nonce.is_some() && request.nonce != stamp.nonce {
        return Err("is not the answer to its request: the nonce is another".to_owned());
    }
    Ok(())
}

/// What the signer signed beside the time stamp: its type, its digest, and which certificate is his.
fn check_attributes(signer: &SignerInfo, info: &[u8], certificate: &Certificate) -> Checked<()> {
    let attribute = |oid: ObjectIdentifier| {
        let mut all = signer.signed_attrs.as_ref()?.iter();
        let found = all.find(|attribute| attribute.oid == oid)?;
        the_only(found.values.as_slice()).cloned()
    };
    let missing = |what: &str| format!("its signer did not sign {what}");
    let told = |why: der::Error| format!("its signed attributes cannot be read here ({why})");
    let content_type = attribute(rfc5911::ID_CONTENT_TYPE).ok_or_else(|| missing("a type"))?;
    if content_type.decode_as::<ObjectIdentifier>().map_err(told)? != TST_INFO {
        return Err("its signer signed another type of content".to_owned());
    }
    let digest = attribute(rfc5911::ID_MESSAGE_DIGEST).ok_or_else(|| missing("a digest"))?;
    let digest: OctetString = digest.decode_as().map_err(told)?;
    if digest.as_bytes() != digest_of(&signer.digest_alg.oid, info)? {
        return Err("was changed: its digest is another than the one that was signed".to_owned());
    }
    let named = attribute(SIGNING_CERTIFICATE_V2)
        .ok_or("its signer did not name his certificate by SHA-2, which is not checked here")?;
    let named: SigningCertificates = named.decode_as().map_err(told)?;
    let first = named
        .certs
        .first()
        .ok_or_else(|| missing("a certificate"))?;
    let algorithm = first.hash_algorithm.as_ref().map(|algorithm| algorithm.oid);
    let der = certificate.to_der().map_err(told)?;
    if first.cert_hash.as_bytes() != digest_of(&algorithm.unwrap_or(rfc5912::ID_SHA_256), &der)? {
        return Err("its signer named another certificate than the one in it".to_owned());
    }
    Ok(())
}

fn certificate_of(signed: &SignedData, signer: &SignerInfo) -> Option<Certificate> {
    let SignerIdentifier::IssuerAndSerialNumber(IssuerAndSerialNumber {
        issuer,
        serial_number,
    }) = &signer.sid
    else {
        return None;
    };
    let is_his = |certificate: &&Certificate| {
        let tbs = &certificate.tbs_certificate;
        tbs.issuer == *issuer && tbs.serial_number == *serial_number
    };
    let all = signed.certificates.as_ref()?.0.iter();
    all.filter_map(|choice| match choice {
        CertificateChoices::Certificate(certificate) => Some(certificate),
        CertificateChoices::Other(_) => None,
    })
    .find(is_his)
    .cloned()
}

fn digest_of(algorithm: &ObjectIdentifier, bytes: &[u8]) -> Checked<Vec<u8>> {
    match *algorithm {
        rfc5912::ID_SHA_256 => Ok(Sha256::digest(bytes).to_vec()),
        rfc5912::ID_SHA_384 => Ok(Sha384::digest(bytes).to_vec()),
        rfc5912::ID_SHA_512 => Ok(Sha512::digest(bytes).to_vec()),
        _ => Err(format!(
            "uses a digest ({algorithm}) that is not checked here"
        )),
    }
}

fn the_only<T>(all: &[T]) -> Option<&T> {
    match all {
        [one] => Some(one),
        _ => None,
    }
}
