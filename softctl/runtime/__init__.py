"""The asyncio shells: real time, sockets and files around the pure core."""
