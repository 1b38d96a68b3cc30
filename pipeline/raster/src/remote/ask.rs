//! One question to a server: the first byte of a file. The answer tells whether it is there, how long it is, what identifies
//! it, whether parts of it can be had, and where it lies now.

use std::cell::RefCell;
use std::path::Path;
use std::time::{Duration, Instant};

use curl::easy::{Easy, List, NetRc};
use lentic_study::address;
use url::Url;

use super::{Access, Identity, LONGEST_PAUSE, pause, shown};
use crate::error::RasterError;

/// What this program calls itself.
pub(super) const AGENT: &str = concat!("lentic/", env!("CARGO_PKG_VERSION"));
/// Redirects followed.
const HOPS: usize = 5;
/// More than this of an answer is not read: it is the whole file, or a page about an error.
const ENOUGH: usize = 4096;

thread_local! {
    /// Kept for its open connections.
    static EASY: RefCell<Easy> = RefCell::new(Easy::new());
}

/// A file that is there.
#[derive(Clone)]
pub(super) struct Found {
    /// What identifies it.
    pub identity: Identity,
    /// Where it lies, redirects followed, with whatever secret is needed: never to be told.
    pub target: String,
}

/// Why there is no useful answer.
pub(super) struct Trouble {
    said: String,
    mend: String,
    /// Another try may do, after this pause if the server named one.
    passing: Option<Option<Duration>>,
}

impl Trouble {
    /// Trouble that no further try mends.
    pub fn refused(said: &str, mend: &str) -> Self {
        Trouble { said: said.into(), mend: mend.into(), passing: None }
    }

    fn passing(said: String, pause: Option<Duration>) -> Self {
        let mend = "see that the server is up and can be reached from here, then run again; or copy the file here and give its path";
        Trouble { said, mend: mend.into(), passing: Some(pause) }
    }

    /// As an error of a file.
    pub fn told(self, path: &Path, what: &str) -> RasterError {
        RasterError::Remote {
            address: shown(path),
            what: format!("reading {what}"),
            said: self.said,
            mend: self.mend,
        }
    }
}

/// The headers of an answer that matter here.
#[derive(Default)]
struct Answer {
    status: u32,
    content_range: String,
    etag: String,
    last_modified: String,
    location: String,
    retry_after: String,
}

/// Asks for a file; `None` where the server has none.
pub(super) fn file(access: &Access, url: &Url) -> Result<Option<Found>, Trouble> {
    let begun = Instant::now();
    let mut failures = 0;
    loop {
        let mut trouble = match once(access, url) {
            Ok(found) => return Ok(found),
            Err(trouble) => trouble,
        };
        let Some(wanted) = trouble.passing else { return Err(trouble) };
        failures += 1;
        if failures >= access.network.tries {
            let seconds = begun.elapsed().as_secs_f64();
            trouble.said = format!("{} (tried {failures} times in {seconds:.0} s)", trouble.said);
            return Err(trouble);
        }
        std::thread::sleep(wanted.unwrap_or(pause(failures)).min(LONGEST_PAUSE));
    }
}

fn once(access: &Access, url: &Url) -> Result<Option<Found>, Trouble> {
    let mut at = url.clone();
    for _ in 0..HOPS {
        let target = access.target(&at);
        let answer = first_byte(access, &target)?;
        match answer.status {
            206 => return Ok(Some(Found { identity: answer.identity()?, target })),
            200 => {
                return Err(Trouble::refused(
                    "the server does not give parts of files (it answered 200 where 206 Partial Content is expected)",
                    "use a server with support of byte ranges (RFC 9110, 14), or copy the file here and give its path",
                ));
            }
            301 | 302 | 303 | 307 | 308 => at = next(access, &at, &answer.location)?,
            404 | 410 => return Ok(None),
            416 => return Err(Trouble::refused("the file on the server is empty", "make it there again")),
            status => return Err(refusal(status, &answer.retry_after)),
        }
    }
    Err(Trouble::refused(&format!("more than {HOPS} redirects"), "give the address that they lead to"))
}

/// Where a redirect leads, if the study allows it.
fn next(access: &Access, at: &Url, location: &str) -> Result<Url, Trouble> {
    let next = at.join(location.trim()).ok().and_then(|url| address::parse_any(url.as_str()).ok());
    let Some(next) = next.filter(|next| next.username().is_empty() && next.password().is_none()) else {
        return Err(Trouble::refused(
            "the server sends on to what is no address",
            "give the address of the file itself",
        ));
    };
    if !access.network.allows(&next) {
        let said = format!(
            "the server sends on to {}, and the study allows {} only",
            address::shown(next.as_str()),
            access.network.allowed()
        );
        return Err(Trouble::refused(&said, "add that address to allow of [network] if it may be fetched"));
    }
    Ok(next)
}

/// What a status says that gives no file.
fn refusal(status: u32, retry_after: &str) -> Trouble {
    let name = match status {
        401 => " Unauthorized",
        403 => " Forbidden",
        407 => " Proxy Authentication Required",
        408 => " Request Timeout",
        429 => " Too Many Requests",
        500 => " Internal Server Error",
        502 => " Bad Gateway",
        503 => " Service Unavailable",
        504 => " Gateway Timeout",
        _ => "",
    };
    let said = format!("the server answered {status}{name}");
    match status {
        401 | 403 => Trouble::refused(
            &said,
            "give the server what it asks for: query_from or header_from in [network], or ~/.netrc",
        ),
        408 | 425 | 429 | 500 | 502 | 503 | 504 => {
            Trouble::passing(said, retry_after.trim().parse().ok().map(Duration::from_secs))
        }
        _ => Trouble::refused(&said, "see that the address is right"),
    }
}

impl Answer {
    fn take(&mut self, line: &[u8]) {
        let line = String::from_utf8_lossy(line);
        let Some((name, value)) = line.split_once(':') else { return };
        let field = match name.trim().to_ascii_lowercase().as_str() {
            "content-range" => &mut self.content_range,
            "etag" => &mut self.etag,
            "last-modified" => &mut self.last_modified,
            "location" => &mut self.location,
            "retry-after" => &mut self.retry_after,
            _ => return,
        };
        *field = value.trim().to_string();
    }

    /// From `Content-Range: bytes 0-0/LENGTH` (RFC 9110, 14.4).
    fn identity(&self) -> Result<Identity, Trouble> {
        let length = self.content_range.rsplit('/').next().and_then(|length| length.trim().parse().ok());
        let bytes = length.ok_or_else(|| {
            Trouble::refused(
                "the server does not say how long the file is (no length in Content-Range)",
                "use another server, or copy the file here and give its path",
            )
        })?;
        Ok(Identity { bytes, etag: self.etag.clone(), last_modified: self.last_modified.clone() })
    }
}

/// Asks for the first byte of a target, redirects not followed.
fn first_byte(access: &Access, target: &str) -> Result<Answer, Trouble> {
    EASY.with_borrow_mut(|easy| {
        let mut answer = Answer::default();
        let mut seen = 0;
        easy.reset();
        let outcome = prepare(easy, access, target).and_then(|()| {
            let mut transfer = easy.transfer();
            transfer.header_function(|line| {
                answer.take(line);
                true
            })?;
            transfer.write_function(|bytes| {
                seen += bytes.len();
                // fewer than came ends the transfer
                Ok(if seen > ENOUGH { 0 } else { bytes.len() })
            })?;
            transfer.perform()
        });
        let status = easy.response_code().unwrap_or(0);
        match outcome {
            Err(error) if !(error.is_write_error() && status != 0) => Err(no_answer(&error)),
            _ => Ok(Answer { status, ..answer }),
        }
    })
}

fn prepare(easy: &mut Easy, access: &Access, target: &str) -> Result<(), curl::Error> {
    let timeout = Duration::from_secs_f64(access.network.timeout_s);
    easy.url(target)?;
    easy.range("0-0")?;
    easy.useragent(AGENT)?;
    easy.netrc(NetRc::Optional)?;
    easy.connect_timeout(timeout)?;
    easy.low_speed_limit(1)?;
    easy.low_speed_time(timeout)?;
    if let Some(header) = &access.header {
        let mut headers = List::new();
        headers.append(header)?;
        easy.http_headers(headers)?;
    }
    Ok(())
}

/// What keeps a server from answering at all; the texts of libcurl name host and port at most.
fn no_answer(error: &curl::Error) -> Trouble {
    let said =
        format!("no answer of the server ({})", error.extra_description().unwrap_or(error.description()));
    let lasting = error.is_couldnt_resolve_host()
        || error.is_couldnt_resolve_proxy()
        || error.is_peer_failed_verification()
        || error.is_ssl_cacert_badfile()
        || error.is_url_malformed();
    if lasting {
        Trouble::refused(&said, "see that the address is right and the server can be reached from here")
    } else {
        Trouble::passing(said, None)
    }
}
