"""Modbus/TCP without IO: frames, requests, banks, devices and what a server answers.

`frames` splits a byte stream and builds frames; `functions` is the table of function
codes; `bank` is the memory of the four tables; `device` answers one unit's requests;
`server` turns received bytes into things to send, each with its time.
"""
