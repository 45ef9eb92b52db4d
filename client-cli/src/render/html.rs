//! What every page of HTML that the client makes has alike: it needs nothing else, runs nothing, and prints on A4 in ink alone.

/// Its look: ink on paper, so that nothing is lost on a printer without colour.
const PAPER: &str = "@page{size:A4;margin:16mm 14mm}\
    body{font:10pt/1.35 Georgia,serif;color:#111;max-width:182mm;margin:8mm auto}\
    h1{font-size:15pt;margin:0 0 1mm}h2{font-size:11pt;margin:5mm 0 1mm;border-bottom:.4pt solid #111;break-after:avoid}\
    p{margin:1mm 0}thead{display:table-header-group}tr{break-inside:avoid}ul{margin:1mm 0;padding-left:5mm}\
    @media print{body{margin:0;max-width:none}}";
/// How every page ends.
pub(crate) const END: &str = "</body></html>\n";

/// A text as HTML shows it.
pub(crate) fn safe(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            other => out.push(other),
        }
    }
    out
}

/// How a page begins, with its title as its heading; `look` is its own beside that of every page.
pub(crate) fn begin(title: &str, look: &str) -> String {
    let title = safe(title);
    format!("{}<h1>{title}</h1>\n", begin_bare(&title, look))
}

/// The same without a heading, its title safe already.
pub(crate) fn begin_bare(title: &str, look: &str) -> String {
    format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{title}</title>\n\
         <style>{PAPER}{look}</style></head><body>\n"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_people_wrote_is_shown_and_never_run() {
        assert_eq!(safe("<b> & \"it's\""), "&lt;b&gt; &amp; &quot;it&#39;s&quot;");
        assert!(begin("a <script> b", "").contains("<h1>a &lt;script&gt; b</h1>"));
    }
}
