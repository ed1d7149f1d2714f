"""What happened on this job?"""
