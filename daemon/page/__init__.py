"""The web page of the daemon: an overview and a page for each train, view only."""

from daemon.page.app import create_app

__all__ = ["create_app"]
