"""The application: configuration, the control loop, and what it tells and keeps."""
