"""Makes HTTP requests with Python's own client (http.client, ssl): one a line of JSON on standard input, its answer a line of JSON on standard output.

A request: {"url", "method", "headers", "body", "ca", "certificate", "key", "lines"}, the last after how many lines of the answer it leaves, if it
does; an answer: {"status", "headers", "body"} or {"failed": why}.
"""

import http.client
import json
import ssl
import sys
from urllib.parse import urlsplit


def answer(ask):
    url = urlsplit(ask["url"])
    if url.scheme == "https":
        context = ssl.create_default_context(cafile=ask.get("ca"))
        if ask.get("certificate"):
            context.load_cert_chain(ask["certificate"], ask["key"])
        connection = http.client.HTTPSConnection(url.hostname, url.port, timeout=60, context=context)
    else:
        connection = http.client.HTTPConnection(url.hostname, url.port, timeout=60)
    try:
        path = url.path + ("?" + url.query if url.query else "")
        connection.request(ask.get("method", "GET"), path, ask.get("body", "").encode(), ask.get("headers", {}))
        got = connection.getresponse()
        headers = {name.lower(): value for name, value in got.getheaders()}
        lines = ask.get("lines")
        body = got.read() if lines is None else b"".join(got.readline() for _ in range(lines))
        return {"status": got.status, "headers": headers, "body": body.decode()}
    except (OSError, http.client.HTTPException) as why:
        return {"failed": f"{type(why).__name__}: {why}"}
    finally:
        connection.close()


for line in sys.stdin:
    print(json.dumps(answer(json.loads(line))))
