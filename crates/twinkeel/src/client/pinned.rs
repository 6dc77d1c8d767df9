//! TLS to the one page whose certificate has this fingerprint, and to no other.
//!
//! Neither name nor date is looked at: a rig's addresses change with the venue, and an expired certificate is still the rig's. The handshake's
//! signature is checked in full, so that whoever merely shows a copy of the certificate gets nowhere (RFC 8446, 4.4.3).

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;

use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{CertificateError, ClientConfig, ClientConnection, DigitallySignedStruct, SignatureScheme, StreamOwned};
use supervisor::page::tls;
use ureq::unversioned::transport::{Buffers, ConnectionDetails, Connector, LazyBuffers, NextTimeout, Transport};

/// Makes such connections for `ureq`.
#[derive(Debug)]
pub struct Pinned(Arc<ClientConfig>);

impl Pinned {
    /// To this fingerprint.
    pub fn to(fingerprint: &str) -> Result<Pinned, rustls::Error> {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let only = Only { fingerprint: fingerprint.to_owned(), provider: provider.clone() };
        let config = ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions()?;
        let config = config.dangerous().with_custom_certificate_verifier(Arc::new(only)).with_no_client_auth();
        Ok(Pinned(Arc::new(config)))
    }
}

impl Connector for Pinned {
    type Out = Sealed;

    fn connect(&self, details: &ConnectionDetails, _: Option<()>) -> Result<Option<Sealed>, ureq::Error> {
        let host = details.uri.host().unwrap_or_default().trim_matches(['[', ']']).to_owned();
        let name = ServerName::try_from(host).map_err(|_| ureq::Error::HostNotFound)?;
        let mut last = ureq::Error::HostNotFound;
        for address in &details.addrs {
            let tcp = match TcpStream::connect_timeout(address, *details.timeout.after) {
                Ok(tcp) => tcp,
                Err(e) => {
                    last = e.into();
                    continue;
                }
            };
            let connection = ClientConnection::new(self.0.clone(), name).map_err(std::io::Error::other)?;
            let mut stream = StreamOwned::new(connection, tcp);
            limit(&stream.sock, details.timeout)?;
            // The handshake, so that a stranger's certificate is told as such.
            stream.conn.complete_io(&mut stream.sock)?;
            let (input, output) = (details.config.input_buffer_size(), details.config.output_buffer_size());
            return Ok(Some(Sealed { stream, buffers: LazyBuffers::new(input, output) }));
        }
        Err(last)
    }
}

/// No read or write waits longer.
fn limit(tcp: &TcpStream, timeout: NextTimeout) -> std::io::Result<()> {
    // Zero would mean for ever.
    let left = (*timeout.after).max(std::time::Duration::from_millis(1));
    tcp.set_read_timeout(Some(left))?;
    tcp.set_write_timeout(Some(left))
}

/// A connection to the page.
#[derive(Debug)]
pub struct Sealed {
    stream: StreamOwned<ClientConnection, TcpStream>,
    buffers: LazyBuffers,
}

impl Transport for Sealed {
    fn buffers(&mut self) -> &mut dyn Buffers {
        &mut self.buffers
    }

    fn transmit_output(&mut self, amount: usize, timeout: NextTimeout) -> Result<(), ureq::Error> {
        limit(&self.stream.sock, timeout)?;
        self.stream.write_all(&self.buffers.output()[..amount])?;
        Ok(self.stream.flush()?)
    }

    fn await_input(&mut self, timeout: NextTimeout) -> Result<bool, ureq::Error> {
        limit(&self.stream.sock, timeout)?;
        let read = self.stream.read(self.buffers.input_append_buf())?;
        self.buffers.input_appended(read);
        Ok(read > 0)
    }

    fn is_open(&mut self) -> bool {
        // Each command asks once or a few times: no connection is kept for another.
        false
    }

    fn is_tls(&self) -> bool {
        true
    }
}

/// Trusts one certificate.
#[derive(Debug)]
struct Only {
    fingerprint: String,
    provider: Arc<CryptoProvider>,
}

impl ServerCertVerifier for Only {
    fn verify_server_cert(
        &self,
        shown: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: &ServerName<'_>,
        _: &[u8],
        _: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        let shown = tls::fingerprint(shown);
        if shown == self.fingerprint {
            return Ok(ServerCertVerified::assertion());
        }
        tracing::error!("the page shows another certificate, {shown}; trusted is {}", self.fingerprint);
        Err(rustls::Error::InvalidCertificate(CertificateError::ApplicationVerificationFailure))
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls12_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls13_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider.signature_verification_algorithms.supported_schemes()
    }
}
