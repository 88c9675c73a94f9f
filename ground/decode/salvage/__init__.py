"""From what the user pointed at to the bytes of logs: files, folders, images, dumps and captures, whole or hurt."""
