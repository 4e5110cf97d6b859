//! HMAC with SHA-256 (RFC 7518, 3.2) for the tokens, and nothing else: whatever other algorithm a token names,
//! there is no code here that could compute it.

use hmac::{Hmac, KeyInit, Mac};
use jsonwebtoken::crypto::{CryptoProvider, JwtSigner, JwtVerifier, KeyUtils};
use jsonwebtoken::errors::{Error, ErrorKind};
use jsonwebtoken::signature::{self, Signer, Verifier};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey};
use sha2::Sha256;

static PROVIDER: CryptoProvider =
    CryptoProvider { signer_factory, verifier_factory, key_utils: KeyUtils::new_unimplemented() };

/// Makes it the process's provider; calling it again changes nothing.
pub(super) fn install() {
    // An error means that it was installed before.
    let _ = PROVIDER.install_default();
}

struct Hs256(Hmac<Sha256>);

impl Hs256 {
    fn new(algorithm: Algorithm, key: &[u8]) -> Result<Self, Error> {
        if algorithm != Algorithm::HS256 {
            return Err(ErrorKind::UnsupportedAlgorithm.into());
        }
        Hmac::new_from_slice(key).map(Self).map_err(|_| ErrorKind::InvalidKeyFormat.into())
    }
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "the library asks for it so")]
fn signer_factory(algorithm: &Algorithm, key: &EncodingKey) -> Result<Box<dyn JwtSigner>, Error> {
    Ok(Box::new(Hs256::new(*algorithm, key.as_bytes())?))
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "the library asks for it so")]
fn verifier_factory(algorithm: &Algorithm, key: &DecodingKey) -> Result<Box<dyn JwtVerifier>, Error> {
    Ok(Box::new(Hs256::new(*algorithm, key.try_get_as_bytes()?)?))
}

impl Signer<Vec<u8>> for Hs256 {
    fn try_sign(&self, message: &[u8]) -> Result<Vec<u8>, signature::Error> {
        let mut mac = self.0.clone();
        mac.update(message);
        Ok(mac.finalize().into_bytes().to_vec())
    }
}

impl Verifier<Vec<u8>> for Hs256 {
    /// In constant time, and over all bytes: a truncated signature never matches.
    fn verify(&self, message: &[u8], signature: &Vec<u8>) -> Result<(), signature::Error> {
        let mut mac = self.0.clone();
        mac.update(message);
        mac.verify_slice(signature).map_err(|_| signature::Error::new())
    }
}

impl JwtSigner for Hs256 {
    fn algorithm(&self) -> Algorithm {
        Algorithm::HS256
    }
}

impl JwtVerifier for Hs256 {
    fn algorithm(&self) -> Algorithm {
        Algorithm::HS256
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 4231, 4.3, test case 2.
    #[test]
    fn it_is_hmac_with_sha_256() {
        let mac = Hs256::new(Algorithm::HS256, b"Jefe").expect("a key");
        let signed = mac.try_sign(b"what do ya want for nothing?").expect("signed");
        let expected = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843";
        assert_eq!(signed, hex::decode(expected).expect("hex"));
        assert!(mac.verify(b"what do ya want for nothing?", &signed).is_ok());
        assert!(mac.verify(b"what do ya want for nothing?", &signed[..31].to_vec()).is_err());
        assert!(Hs256::new(Algorithm::HS384, b"Jefe").is_err());
    }
}
