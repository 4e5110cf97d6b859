//! What is wrong with the other side's TLS, in words for a shopkeeper.

use rustls::{AlertDescription, CertificateError, Error};
use std::error::Error as StdError;
use std::io;

/// The words for an error, if TLS is the cause.
pub(super) fn words(error: &(dyn StdError + 'static)) -> Option<String> {
    let mut next = Some(error);
    while let Some(cause) = next {
        if let Some(tls) = of(cause) {
            return Some(told(tls));
        }
        next = cause.source();
    }
    None
}

/// An I/O error hides the error it was made from and shows only that one's source.
fn of<'a>(cause: &'a (dyn StdError + 'static)) -> Option<&'a Error> {
    if let Some(tls) = cause.downcast_ref::<Error>() {
        return Some(tls);
    }
    let within = cause.downcast_ref::<io::Error>()?.get_ref()?;
    // I/O errors are nested at most this deep.
    of(within)
}

fn told(error: &Error) -> String {
    match error {
        Error::InvalidCertificate(wrong) => of_certificate(wrong),
        Error::NoCertificatesPresented => "it shows no certificate".to_owned(),
        Error::InvalidMessage(_) => {
            "it does not speak TLS there; is it the right port, and https:// the right beginning?".to_owned()
        }
        Error::AlertReceived(AlertDescription::ProtocolVersion) | Error::PeerIncompatible(_) => {
            "it speaks only an old TLS that is not safe any more; its program must learn TLS 1.2 or 1.3"
                .to_owned()
        }
        Error::AlertReceived(AlertDescription::HandshakeFailure) => {
            "it and this program have no safe way of TLS in common".to_owned()
        }
        Error::AlertReceived(AlertDescription::UnrecognisedName) => {
            "it knows no shop of this name; is the address right?".to_owned()
        }
        Error::AlertReceived(AlertDescription::CertificateRequired) => {
            "it asks for a certificate of ours, which this program has none of".to_owned()
        }
        other => format!("TLS failed: {other}"),
    }
}

fn of_certificate(wrong: &CertificateError) -> String {
    match wrong {
        CertificateError::UnknownIssuer => "its certificate is signed by nobody that this machine believes; \
            is it your own shop, name the signer's PEM file as ca_file, else ask whoever runs it"
            .to_owned(),
        CertificateError::Expired | CertificateError::ExpiredContext { .. } => {
            "its certificate has run out; whoever runs it must renew it (or this machine's clock is wrong)"
                .to_owned()
        }
        CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => {
            "its certificate is not valid yet; is this machine's clock right?".to_owned()
        }
        CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => {
            "its certificate is for another name; is the host in the address right?".to_owned()
        }
        CertificateError::Revoked => "its certificate was taken back by whoever signed it".to_owned(),
        CertificateError::BadSignature => {
            "its certificate is not what was signed; somebody may stand between".to_owned()
        }
        other => format!("its certificate cannot be believed: {other}"),
    }
}
