"""Scheduled work through Prefect: thin flows, and the small server that one box needs.

Only `jobs`, `deployments` and `runner` import Prefect; the others say what is planned and start
processes.
"""
