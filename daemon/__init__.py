"""The service: plant file, poll loop, local history, normalization loop, notices, delivery, page, commands."""
