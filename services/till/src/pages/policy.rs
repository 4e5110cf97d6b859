//! What a page lets the browser load and run (OWASP ASVS 5.0.0, 3.4.3 and 3.4.6): nothing from elsewhere, and no script
//! within the page.

macro_rules! policy {
    ($scripts:literal) => {
        concat!(
            "default-src 'none'; script-src ",
            $scripts,
            "; style-src 'self'; img-src 'self' blob:; font-src 'self'; connect-src 'self'; form-action 'self'; \
             frame-ancestors 'none'; base-uri 'none'"
        )
    };
}

/// For every answer.
pub(crate) const PLAIN: &str = policy!("'self'");
/// For pages with a camera: the barcode reader that comes with the program is `WebAssembly`, which may be compiled, and no
/// text is ever run as a script.
pub(crate) const WITH_CAMERA: &str = policy!("'self' 'wasm-unsafe-eval'");
