"""The reverse proxies, each run for real in front of the program, with a certificate of its own.
By hand: python3 tests/deploy/proxies.py"""

import contextlib
import http.client
import os
import socket
import ssl
import sys
import time

from ground import (
    DEPLOY,
    PROGRAM,
    ROOT,
    SITE,
    Failed,
    expect,
    free_port,
    main,
    owner,
    process,
    run,
    scratch,
    sell,
    serving,
    wait_for,
)

# The longest time until a body of one byte per second is given up.
SLOW_S = 40
# Instead of a status: the proxy closed the connection without an answer.
CLOSED = 0
# Caddy 2.6 answers 502 when it cuts off a body while passing it on.
REFUSED_BODY = (413, 502, CLOSED)
# Another address of this machine: requests from it are not taken for the proxy's.
OTHER_LOOPBACK = "127.0.0.2"


def certificate(folder):
    """A self-signed certificate, valid for an hour."""
    run(
        "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "1",
        "-subj", f"/CN={SITE}", "-addext", f"subjectAltName=DNS:{SITE}",
        "-keyout", folder / "privkey.pem", "-out", folder / "fullchain.pem",
    )  # fmt: skip


@contextlib.contextmanager
def nginx(folder, shop):
    """nginx with our file, included as on a real machine; returns its TLS port."""
    plain, secure = free_port(), free_port()
    text = (DEPLOY / "nginx/fleecefold.conf").read_text()
    for line in ["    listen [::]:80;\n", "    listen [::]:443 ssl http2;\n"]:
        text = text.replace(line, "")
    text = text.replace("listen 80;", f"listen 127.0.0.1:{plain};")
    text = text.replace("listen 443 ssl http2;", f"listen 127.0.0.1:{secure} ssl http2;")
    text = text.replace("127.0.0.1:8440", f"127.0.0.1:{shop}").replace("/etc/ssl/fleecefold", str(folder))
    (folder / "shop.conf").write_text(text)
    main_file = folder / "nginx.conf"
    temporary = "".join(f"{name}_temp_path {folder}/{name};" for name in ["client_body", "proxy", "fastcgi", "uwsgi", "scgi"])
    user = "user root;" if os.geteuid() == 0 else ""
    main_file.write_text(
        f"{user} pid {folder}/nginx.pid; error_log {folder}/error.log; daemon off; worker_processes 1;\n"
        f"events {{ worker_connections 512; }}\n"
        f"http {{ access_log off; {temporary} include {folder}/shop.conf; }}\n"
    )
    run("nginx", "-t", "-e", folder / "error.log", "-c", main_file)
    with process(["nginx", "-e", folder / "error.log", "-c", main_file], folder / "nginx.log"):
        yield listening(secure)


@contextlib.contextmanager
def caddy(folder, shop):
    """Caddy with our file; returns its TLS port."""
    plain, secure = free_port(), free_port()
    text = (DEPLOY / "caddy/Caddyfile").read_text()
    extra = f"\tadmin off\n\thttp_port {plain}\n\thttps_port {secure}\n\tdefault_bind 127.0.0.1\n\tstorage file_system {folder}/caddy\n"
    text = text.replace("{\n\tservers", f"{{\n{extra}\tservers", 1)
    text = text.replace(f"{SITE} {{\n", f"{SITE} {{\n\ttls {folder}/fullchain.pem {folder}/privkey.pem\n", 1)
    text = text.replace("127.0.0.1:8440", f"127.0.0.1:{shop}")
    path = folder / "Caddyfile"
    path.write_text(text)
    env = {"HOME": str(folder), "XDG_DATA_HOME": str(folder), "XDG_CONFIG_HOME": str(folder)}
    run("caddy", "validate", "--adapter", "caddyfile", "--config", path, env=env)
    with process(["caddy", "run", "--adapter", "caddyfile", "--config", path], folder / "caddy.log", env=env):
        yield listening(secure)


def listening(port):
    """Waits until something listens there."""

    def ready():
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
            return port

    return wait_for(f"port {port} answers", ready)


def secured(port):
    """A connection to the proxy under the shop's name."""
    context = ssl.create_default_context()
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context.wrap_socket(socket.create_connection(("127.0.0.1", port), 30), server_hostname=SITE)


def request(port, path, method="GET", body=b"", headers=()):
    """One request under the shop's name (SNI and Host); returns the status and headers of the answer."""
    lines = [f"{method} {path} HTTP/1.1", f"Host: {SITE}", "Connection: close", *headers]
    if body or method == "POST":
        lines.append(f"Content-Length: {len(body)}")
    answer = b""
    # A proxy that refuses a body may close before all of it was sent; its answer counts if it arrived.
    with secured(port) as line, contextlib.suppress(OSError):
        with contextlib.suppress(OSError):
            line.sendall("\r\n".join([*lines, "", ""]).encode() + body)
        while piece := line.recv(65536):
            answer += piece
    head = answer.split(b"\r\n\r\n", 1)[0].decode("latin-1")
    return (int(head.split()[1]) if head else CLOSED), head


def slow_body(port):
    """Seconds until a body that never arrives is given up."""
    start = time.monotonic()
    with secured(port) as line:
        line.settimeout(150)
        head = f"POST /sign-in HTTP/1.1\r\nHost: {SITE}\r\nContent-Length: 1000\r\n\r\nname="
        line.sendall(head.encode())
        with contextlib.suppress(OSError):
            line.recv(4096)
    return time.monotonic() - start


def through(proxy):
    """What must hold through each proxy."""
    with scratch() as folder:
        certificate(folder)
        db = f"sqlite:{folder}/shop.db"
        run(PROGRAM, "--db", db, "add", "styles", ROOT / "demo/styles.csv")
        run(PROGRAM, "--db", db, "add", "items", ROOT / "demo/items.csv")
        with serving(db, folder, "--site", f"https://{SITE}", "--proxy", "127.0.0.1/32") as shop:
            with proxy(folder, shop) as port:
                setup = request(port, "/setup")[0]
                expect("nobody from outside sets a new shop up", setup in (403, 404, 303), True)
                owner(db)
                keys = run(PROGRAM, "--db", db, "token", "add", "till", "--role", "owner").split()[-1]
                status, head = request(port, "/")
                expect("a page leads to the sign-in", status, 303)
                expect("browsers are told to stay with TLS", "strict-transport-security" in head.lower(), True)
                expect("the shop's own figures are not for outsiders", request(port, "/metrics")[0], 404)
                claims = ["X-Forwarded-For: 127.0.0.1", "Forwarded: for=127.0.0.1", "X-Forwarded-Host: localhost"]
                expect("nor for who claims to be this machine", request(port, "/metrics", headers=claims)[0], 404)
                body = (
                    b'{"channel":"store","lines":[{"sku":"RB-001","quantity":"1"}],'
                    b'"tenders":[{"kind":"cash","amount":"500.00"}]}'
                )
                headers = [f"Authorization: Bearer {keys}", "Idempotency-Key: one", "Content-Type: application/json"]
                expect("a sale", request(port, "/api/sales", "POST", body, headers)[0], 201)
                expect("the same again", request(port, "/api/sales", "POST", body, headers)[0], 201)
                large = request(port, "/api/sales", "POST", b"x" * (66 << 20), headers)[0]
                if large not in REFUSED_BODY:
                    raise Failed(f"a body above the bound is answered {large}")
                waited = slow_body(port)
                if waited > SLOW_S and proxy is nginx:
                    raise Failed(f"a slow body held its connection for {waited:.0f} s")
                expect("the counter sells while bodies are slow", while_slow(port, db, shop, keys), [201] * 10)
            expect("what comes from the proxy's address is not this machine", figures(shop, "127.0.0.1"), 404)
            expect("this machine itself may ask for the figures", figures(shop, OTHER_LOOPBACK), 200)


def figures(shop, source):
    """The status of the shop's metrics, requested from one of this machine's addresses."""
    line = http.client.HTTPConnection("127.0.0.1", shop, timeout=30, source_address=(source, 0))
    with contextlib.closing(line):
        line.request("GET", "/metrics")
        return line.getresponse().status


def while_slow(port, db, shop, token):
    """Rings up while 60 strangers send one byte of their body and no more."""
    lines = [secured(port) for _ in range(60)]
    try:
        for line in lines:
            head = f"POST /hooks/nobody HTTP/1.1\r\nHost: {SITE}\r\nContent-Length: 1000\r\n\r\n{{"
            line.sendall(head.encode())
        return [sell(db, shop, token, f"RB-0{number:02}", f"slow-{number}") for number in range(2, 12)]
    finally:
        for line in lines:
            line.close()


def through_nginx():
    """nginx: TLS, the client's address, limits on bodies and time."""
    through(nginx)


def through_caddy():
    """Caddy: the same."""
    through(caddy)


if __name__ == "__main__":
    os.environ["PATH"] += ":/usr/sbin"
    sys.exit(main(through_nginx, through_caddy))
