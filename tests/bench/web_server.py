"""A general web server (nginx) as the yardstick: two processes, no access log, a folder that it
serves and that takes PUT."""

import os
import pathlib
import socket
import subprocess
import time

CONFIGURATION = """
worker_processes 2;
pid {folder}/pid;
error_log {folder}/error.log;
{user}
events {{ worker_connections 1024; }}
http {{
    access_log off;
    sendfile on;
    tcp_nopush on;
    keepalive_requests 100000000;
    default_type application/json;
    client_max_body_size 0;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    server {{
        listen 127.0.0.1:{port};
        root {folder}/served;
        dav_methods PUT;
    }}
}}
"""


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class WebServer:
    def __init__(self, folder):
        self.folder = pathlib.Path(folder)
        self.served = self.folder / "served"
        self.served.mkdir(parents=True)
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        user = "user root;" if os.geteuid() == 0 else ""
        path = self.folder / "nginx.conf"
        path.write_text(CONFIGURATION.format(folder=self.folder, port=self.port, user=user),
                        encoding="utf-8")
        self.process = subprocess.Popen(["nginx", "-c", path, "-e", self.folder / "error.log",
                                         "-g", "daemon off;"])
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", self.port)).close()
                return
            except OSError:
                time.sleep(0.02)
        raise SystemExit("nginx does not answer")

    def stop(self):
        self.process.terminate()
        self.process.wait()
