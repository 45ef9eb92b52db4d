//! What a connection's failure says of its encryption, and what to do about it. The words are those of the TLS library (rustls), which
//! has no other way to tell them through the layers above it; a test of the whole program meets each of them.

/// What to do about a connection that failed for its encryption.
pub(crate) fn hint(told: &str, is_encrypted: bool) -> Option<&'static str> {
    let says = |words: &str| told.contains(words);
    if !is_encrypted {
        let is_tls = says("frame with invalid size") || says("invalid HTTP version") || says("UnexpectedEof");
        return (is_tls
            || says("connection closed")
            || says("h2 protocol error")
            || says("broken pipe")
            || says("reset"))
        .then_some(
            "does the service encrypt? then it is https: --server https://HOST:PORT, with --ca-file FILE",
        );
    }
    Some(if says("CaUsedAsEndEntity") {
        "the service shows a certificate of an authority (CA:TRUE) as its own; whoever runs it gives it one with basicConstraints \
         CA:FALSE, signed by that authority"
    } else if says("UnknownIssuer") || says("BadSignature") {
        "the service's certificate is not of the authority in --ca-file; is that the file of the authority that signed it?"
    } else if says("NotValidForName") || says("not valid for name") {
        "the certificate is for another name; give in --server the name or address that stands in it"
    } else if says("NotValidYet") || says("not valid yet") {
        "the certificate is not valid yet; are the clocks of both machines right?"
    } else if says("Expired") || says("expired") {
        "the certificate is over; whoever runs the service renews it; is this machine's clock right?"
    } else if says("CertificateRequired") || says("connection closed") || says("broken pipe") || says("reset")
    {
        // It tells why only after the connection stood, so that this side mostly sees it closed.
        "if the service wants a certificate from its callers, give one that it takes: --client-cert FILE with --client-key FILE"
    } else if says("InvalidContentType") || says("corrupt message") {
        "no encryption is spoken there; is it http: --server http://HOST:PORT?"
    } else {
        return None;
    })
}
